"""Layers: the knee as shapes painted over one another, back to front.

Hard labels and soft partial volume both follow from the same list of layers. A part of the knee
is evaluated only in the window of the raster that its box can reach.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from types import EllipsisType
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.workshop.knees.signed_distance import Field
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

Box: TypeAlias = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
"""Lower and upper bound of u, y and z in mm."""

Point: TypeAlias = tuple[float, float, float]
Painted: TypeAlias = tuple[Tissue, Depth, Field]
"""A tissue, where it comes in the painting order, and the distance from its surface."""

COARSE_STEP = 8
"""Only one sample in so many is tested to find the window of a raster that a box can reach."""


@dataclass(frozen=True)
class Layer:
    """One shape in its tissue, and where it comes in the painting order."""

    tissue: Tissue
    depth: Depth
    distance_mm: Field
    """Signed distance from its surface, negative inside, at the points of the window."""
    where: tuple[slice | EllipsisType, ...]
    """Index of the window in the array of points; `...` for all of it."""

    def coverage(self, softness_mm: float) -> Field:
        """Fraction of a small volume that the shape fills, from 1 inside to 0 outside.

        A linear ramp `softness_mm` wide over the surface: the share of a cube of that side.

        Examples
        --------
        >>> layer = Layer(Tissue.FAT, Depth.FAT, np.array([-1.0, 0.0, 0.25, 1.0]), (...,))
        >>> layer.coverage(1.0).tolist()
        [1.0, 0.5, 0.25, 0.0]
        """
        return (0.5 - self.distance_mm * (1.0 / softness_mm)).clip(0.0, 1.0)


class Part(Protocol):
    """A piece of anatomy that gives one or more layers."""

    @property
    def box(self) -> Box:
        """Box outside which all its distances are positive."""

    def layers(self, u: Field, y: Field, z: Field) -> Iterable[Painted]:
        """Return the layers at the points."""


@dataclass(frozen=True)
class Solid:
    """A part that is no more than its box and its layers."""

    box: Box
    layers: Callable[[Field, Field, Field], Iterable[Painted]]


def solid(
    tissue: Tissue, depth: Depth, box: Box, distance: Callable[[Field, Field, Field], Field]
) -> Solid:
    """Make a part of one tissue from the distance from its surface."""
    return Solid(box, lambda u, y, z: [(tissue, depth, distance(u, y, z))])


def box_around(points: Sequence[Point], reach: Point) -> Box:
    """Box of some points, `reach` further on every side.

    Examples
    --------
    >>> box_around([(0.0, 0.0, 0.0), (4.0, 0.0, 9.0)], (1.0, 2.0, 3.0))
    ((-1.0, 5.0), (-2.0, 2.0), (-3.0, 12.0))
    """
    u, y, z = (
        (min(axis) - room, max(axis) + room)
        for axis, room in zip(zip(*points, strict=True), reach, strict=True)
    )
    return u, y, z


class Raster:
    """Points laid out so that neighbours in the array are neighbours in space.

    `axes` holds their u, y and z, all of one shape: a slice or a volume, deformed or not.
    """

    def __init__(self, axes: Sequence[NDArray[np.floating]]) -> None:
        self.axes = tuple(axes)
        self._picks = tuple(
            np.unique(np.append(np.arange(0, size, COARSE_STEP), size - 1))
            for size in axes[0].shape
        )
        self._coarse = [axis[np.ix_(*self._picks)] for axis in axes]
        self._margins = [_largest_step(coarse) for coarse in self._coarse]

    def window(self, box: Box) -> tuple[slice, ...] | None:
        """Find a small window outside which no point lies in the box; None if there is none.

        Examples
        --------
        >>> axes = np.meshgrid(*[np.arange(64.0)] * 3, indexing="ij")
        >>> Raster(axes).window(((20.0, 22.0), (40.0, 41.0), (0.0, 5.0)))
        (slice(8, 33, None), slice(24, 57, None), slice(0, 17, None))
        """
        inside = np.ones(self._coarse[0].shape, dtype=bool)
        for coarse, margin, (low, high) in zip(self._coarse, self._margins, box, strict=True):
            inside &= (coarse >= low - margin) & (coarse <= high + margin)
        if not inside.any():
            return None
        hits = inside.nonzero()
        return tuple(_span(picks, hit) for picks, hit in zip(self._picks, hits, strict=True))

    def near(self, where: tuple[slice, ...]) -> tuple[NDArray[np.floating], ...]:
        """Return u, y and z of the points in a window."""
        return tuple(np.ascontiguousarray(axis[where]) for axis in self.axes)


def _largest_step(coarse: NDArray[np.floating]) -> float:
    steps = [np.abs(np.diff(coarse, axis=axis)) for axis in range(coarse.ndim)]
    return float(sum(step.max() for step in steps if step.size))


def _span(picks: NDArray[np.intp], hit: NDArray[np.intp]) -> slice:
    first, last = max(int(hit.min()) - 1, 0), min(int(hit.max()) + 1, len(picks) - 1)
    return slice(int(picks[first]), int(picks[last]) + 1)


def layers_of(parts: Iterable[Part], u: Field, y: Field, z: Field) -> list[Layer]:
    """All layers of some parts at all points, back to front.

    Works on any arrays, batches included; nothing is left out to save time.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.leg_outline import build_leg
    >>> from meniscal_measure.workshop.knees.parameters import KneeParameters
    >>> [layer.tissue.name for layer in layers_of([build_leg(KneeParameters())], *np.zeros((3, 1)))]
    ['FAT', 'FAT', 'SKIN', 'AIR']
    """
    layers = [
        Layer(tissue, depth, distance, (...,))
        for part in parts
        for tissue, depth, distance in part.layers(u, y, z)
    ]
    return sorted(layers, key=lambda layer: layer.depth)


def layers_on_raster(parts: Iterable[Part], raster: Raster) -> list[Layer]:
    """Return the layers of some parts on a raster, back to front, each only in its window."""
    layers = []
    for part in parts:
        where = raster.window(part.box)
        if where is not None:
            for tissue, depth, distance in part.layers(*raster.near(where)):
                layers.append(Layer(tissue, depth, distance, where))
    return sorted(layers, key=lambda layer: layer.depth)


def labels_of(layers: Iterable[Layer], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Paint layers into an array of tissue labels.

    Examples
    --------
    >>> fat = Layer(Tissue.FAT, Depth.FAT, np.array([-1.0, 1.0]), (...,))
    >>> labels_of([fat], (2,)).tolist()
    [2, 0]
    """
    labels = np.zeros(shape, dtype=np.uint8)
    for layer in layers:
        np.copyto(labels[layer.where], np.uint8(layer.tissue), where=layer.distance_mm < 0)
    return labels

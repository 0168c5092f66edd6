"""Layers: the knee as shapes painted over one another, back to front.

Hard labels and soft partial volume both follow from the same list of layers. A part of the knee
is evaluated only in the window of the raster that its box can reach.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.phantom.shapes import Field
from meniscal_measure.phantom.tissue import Depth, Tissue

Box: TypeAlias = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
"""Lower and upper bound of u, y and z in mm."""

COARSE_STEP = 8
"""Every so many samples are looked at to find the window of a raster that a box can reach."""


@dataclass(frozen=True)
class Layer:
    """One shape in its tissue.

    Parameters
    ----------
    tissue, depth
        What it is made of and where it comes in the painting order.
    distance_mm
        Signed distance from its surface, negative inside, at the points of the window.
    where
        Index of the window in the array of points; `...` for all of it.
    """

    tissue: Tissue
    depth: Depth
    distance_mm: Field
    where: tuple[slice, ...]

    def coverage(self, softness_mm: float) -> Field:
        """Fraction of a small volume that the shape fills, from 1 inside to 0 outside.

        A linear ramp `softness_mm` wide over the surface: the share of a cube of that side.
        """
        return (0.5 - self.distance_mm * (1.0 / softness_mm)).clip(0.0, 1.0)


class Part(Protocol):
    """A piece of anatomy that gives one or more layers."""

    @property
    def box(self) -> Box:
        """Box outside which all its distances are positive."""

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Tissue, depth and distance of each layer at the points."""


def window(box: Box, coordinates: Sequence[NDArray[np.floating]]) -> tuple[slice, ...] | None:
    """Smallest known window of a raster outside which no point lies in the box; None if empty.

    The raster must be smooth: neighbouring samples lie near each other in space.
    """
    shape = coordinates[0].shape
    picks = np.ix_(*[_coarse(size) for size in shape])
    inside: NDArray[np.bool_] | None = None
    for axis, (low, high) in zip(coordinates, box, strict=True):
        coarse = axis[picks]
        margin = _largest_step(coarse)
        part = (coarse >= low - margin) & (coarse <= high + margin)
        inside = part if inside is None else inside & part
    if inside is None or not inside.any():
        return None
    return tuple(_span(inside, axis, size) for axis, size in enumerate(shape))


def _coarse(size: int) -> NDArray[np.intp]:
    return np.unique(np.append(np.arange(0, size, COARSE_STEP), size - 1))


def _largest_step(coarse: NDArray[np.floating]) -> float:
    steps = [np.abs(np.diff(coarse, axis=axis)) for axis in range(coarse.ndim)]
    return float(sum(step.max() for step in steps if step.size))


def _span(inside: NDArray[np.bool_], axis: int, size: int) -> slice:
    others = tuple(other for other in range(inside.ndim) if other != axis)
    hit = np.flatnonzero(inside.any(axis=others))
    picks = _coarse(size)
    first, last = max(hit[0] - 1, 0), min(hit[-1] + 1, len(picks) - 1)
    return slice(int(picks[first]), int(picks[last]) + 1)


def layers_of(parts: Iterable[Part], u: Field, y: Field, z: Field) -> list[Layer]:
    """All layers of some parts at all points, back to front.

    Works on any arrays, batches included; nothing is left out to save time.
    """
    layers = [
        Layer(tissue, depth, distance, (...,))  # type: ignore[arg-type]
        for part in parts
        for tissue, depth, distance in part.layers(u, y, z)
    ]
    return sorted(layers, key=lambda layer: layer.depth)


def layers_on_raster(
    parts: Iterable[Part], u: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]
) -> list[Layer]:
    """Give the layers of some parts on a raster, back to front, each only in its window."""
    layers = []
    for part in parts:
        where = window(part.box, (u, y, z))
        if where is not None:
            near = (np.ascontiguousarray(axis[where]) for axis in (u, y, z))
            for tissue, depth, distance in part.layers(*near):
                layers.append(Layer(tissue, depth, distance, where))
    return sorted(layers, key=lambda layer: layer.depth)


def labels_of(layers: Iterable[Layer], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Paint layers into an array of tissue labels."""
    labels = np.zeros(shape, dtype=np.uint8)
    for layer in layers:
        labels[layer.where][layer.distance_mm < 0] = layer.tissue
    return labels

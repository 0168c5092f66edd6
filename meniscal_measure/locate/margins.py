"""Second stage: a close look at both margins of the joint, from several shifted frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.locate import networks, outlines
from meniscal_measure.locate.frames import (
    MARGIN_INWARD_MM,
    MARGIN_PIXEL_MM,
    MARGIN_SIZE,
    Frame,
    normalised,
    with_neighbours,
)
from meniscal_measure.locate.survey import is_backward, is_upended

Looks = Sequence[tuple[str, tuple[float, float], float]]

LOOKS: Looks = (
    ("margin_a", (0.0, 0.0), 1.0),
    ("margin_b", (0.9, -0.7), 0.85),
    ("margin_a", (-1.1, 0.8), 1.2),
    ("margin_b", (-0.3, -0.4), 1.0),
)
"""Network, shift outward and upward in mm, and exponent of the grey levels, for each look."""


@dataclass(frozen=True)
class Margin:
    """Rim, outer edge and free edge on one side of one slice, by several looks, in this order."""

    pixels: FloatArray
    """`[column, row]` in slice pixels; (3, 2)."""
    spread_mm: FloatArray
    """Standard deviation between the looks along the joint line; (3,)."""
    sd_mm: FloatArray
    """Standard deviation stated by the networks along the joint line; (3,)."""
    mass: FloatArray
    """Least share of the heat map near the point over the looks; (3,)."""


@dataclass(frozen=True)
class Place:
    """Where to look: a slice, the side of the picture, and roughly where rims and edge lie."""

    slice_index: int
    right: bool
    rim: FloatArray
    edge: FloatArray
    outward: FloatArray
    """Way from the rim of the other side to this one, slice pixels."""


@dataclass(frozen=True)
class Glimpse:
    """What one look at one place found, in slice pixels."""

    heat: FloatArray
    """Rim, outer edge and free edge by the heat maps; (3, 2)."""
    outline: FloatArray
    """The same by the outlines of tibia and meniscus, NaN where there is none; (3, 2)."""
    sd_mm: FloatArray
    mass: FloatArray

    @property
    def places(self) -> FloatArray:
        """Every opinion on each point, shape (2, 3, 2).

        The rim is half-way between heat map and outline, since their errors differ; the outer
        edge is the heat map's, which knows capsule from meniscus; the tip is the outline's.
        """
        outline = np.where(np.isnan(self.outline), self.heat, self.outline)
        rims = self.heat[:1], outline[:1]
        return np.stack([np.concatenate([rim, self.heat[1:2], outline[2:]]) for rim in rims])


class Closer:
    """Close looks at the margins of one stack."""

    def __init__(
        self, grids: Sequence[PixelGrid], pixels: NDArray[np.generic], looks: Looks = LOOKS
    ) -> None:
        self.grids, self.pixels, self.looks = grids, pixels, looks
        self.spacing = np.array([grids[0].column_spacing_mm, grids[0].row_spacing_mm])
        self.upended, self.backward = is_upended(grids[0]), is_backward(grids[0])

    def look(self, places: Sequence[Place]) -> list[Margin]:
        """Find the points at each place: one look to centre on them, then several to place them."""
        first = self._glimpse(places, self.looks[0])
        centred = [
            replace(place, rim=seen.heat[0], edge=seen.heat[1])
            for place, seen in zip(places, first, strict=True)
        ]
        looks = [self._glimpse(centred, look) for look in self.looks]
        return [
            self._combined(place, several)
            for place, several in zip(centred, zip(*looks, strict=True), strict=True)
        ]

    def _frame(self, place: Place, shift: Sequence[float]) -> Frame:
        outward = 1.0 if place.right else -1.0
        upward = 1.0 if self.upended else -1.0
        away = np.array([outward * (shift[0] - MARGIN_INWARD_MM), upward * shift[1]])
        centre = (place.rim + place.edge) / 2 + away / self.spacing
        return Frame(
            (float(centre[0]), float(centre[1])),
            MARGIN_PIXEL_MM,
            MARGIN_SIZE,
            mirrored=not place.right,
            upended=self.upended,
        )

    def _glimpse(
        self, places: Sequence[Place], look: tuple[str, tuple[float, float], float]
    ) -> list[Glimpse]:
        network, shift, gamma = look
        frames = [self._frame(place, shift) for place in places]
        windows = [self._window(*pair) for pair in zip(places, frames, strict=True)]
        found = networks.look(network, np.stack([normalised(w, gamma) for w in windows]))
        return [
            self._read(place, frame, found, i)
            for i, (place, frame) in enumerate(zip(places, frames, strict=True))
        ]

    def _read(self, place: Place, frame: Frame, found: networks.Findings, i: int) -> Glimpse:
        grid, heat = self.grids[place.slice_index], found.points[i]
        outward = place.outward / frame.steps(grid)
        axis = outward / np.linalg.norm(outward)
        ends = outlines.meniscal_ends(found.tissue[i, 1], heat[1], axis)
        rim = outlines.rim(found.tissue[i, 0], heat[0], axis)
        nowhere = np.full(2, np.nan)
        outline = np.stack([nowhere if rim is None else rim, *(ends or (nowhere, nowhere))])
        stated = np.exp(np.clip(found.scalars[i], -3, 4)) * MARGIN_PIXEL_MM
        to_slice = frame.to_slice
        return Glimpse(to_slice(heat, grid), to_slice(outline, grid), stated, found.mass[i])

    def _window(self, place: Place, frame: Frame) -> NDArray[np.float32]:
        near = range(max(place.slice_index - 1, 0), min(place.slice_index + 2, len(self.grids)))
        patient = self.grids[place.slice_index].to_patient(frame.centre)
        views = []
        for index in near:
            column, row = self.grids[index].to_pixel(patient)
            moved = replace(frame, centre=(float(column), float(row)))
            views.append(moved.look(self.pixels[index], self.grids[index]))
        window = with_neighbours(views, place.slice_index - near[0])
        return window[::-1] if self.backward else window

    def _combined(self, place: Place, looks: Sequence[Glimpse]) -> Margin:
        opinions = np.concatenate([look.places for look in looks])
        line = place.outward * self.spacing
        along = (opinions * self.spacing) @ (line / np.linalg.norm(line))
        return Margin(
            np.concatenate([opinions[:, :1].mean(axis=0), np.median(opinions[:, 1:], axis=0)]),
            along.std(axis=0),
            np.sqrt(np.mean([look.sd_mm**2 for look in looks], axis=0)),
            np.min([look.mass for look in looks], axis=0),
        )

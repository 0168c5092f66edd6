"""Second stage: landmarks at both margins of the joint, under several augmentations."""

from __future__ import annotations

import math
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
    ViewFrame,
    normalised,
    with_neighbours,
)
from meniscal_measure.locate.survey import Survey, is_backward, is_upended


@dataclass(frozen=True)
class Augmentation:
    """One variation of the image under which a margin network is run."""

    network: str
    shift_mm: tuple[float, float]
    """Shift of the frame outward and upward."""
    gamma: float
    """Exponent of the grey levels."""
    scale: float = 1.0
    """Factor on the pixel of the frame: above 1 the knee looks smaller."""


AUGMENTATIONS = (
    Augmentation("margin_a", (0.0, 0.0), 1.0),
    Augmentation("margin_a", (0.9, -0.7), 0.85, scale=0.94),
    Augmentation("margin_b", (-1.1, 0.8), 1.2, scale=1.06),
    Augmentation("margin_b", (-0.3, -0.4), 1.0),
    Augmentation("margin_c", (-1.1, 0.8), 1.2, scale=1.06),
    Augmentation("margin_c", (-0.3, -0.4), 1.0),
    Augmentation("margin_d", (0.0, 0.0), 1.0),
    Augmentation("margin_d", (0.9, -0.7), 0.85, scale=0.94),
)
"""Four networks, each under two variations: how far they differ says how sure they are."""
HEAT_SHARE = 0.65
"""Weight of the heat map's rim against the outline's: chosen with the networks on 126 slices of the
second generator, 59 held-out stacks and the real knee together."""


@dataclass(frozen=True)
class Margin:
    """Rim, outer edge and free edge, in this order, on one side of one slice; all augmentations."""

    pixels: FloatArray
    """`[column, row]` in slice pixels; (3, 2)."""
    spread_mm: FloatArray
    """Standard deviation between the augmentations along the joint line; (3,)."""
    sd_mm: FloatArray
    """Standard deviation stated by the networks along the joint line; (3,)."""
    mass: FloatArray
    """Least share of the heat map near the landmark over the augmentations; (3,)."""
    between_networks_mm: FloatArray
    """Disagreement of the networks' means along the joint line, for two their distance; (3,)."""
    bone: float
    """How clearly tibia lies below the rim and none above it, from -1 to 1; see `outlines.bone`."""
    body: float
    """Mean probability of meniscus just inward of the outer edge."""


@dataclass(frozen=True)
class Place:
    """A margin to be examined: slice, side of the image, and roughly where rim and edge lie."""

    slice_index: int
    right: bool
    rim: FloatArray
    edge: FloatArray
    outward: FloatArray
    """Vector from the rim of the other side to this one, slice pixels."""


@dataclass(frozen=True)
class Prediction:
    """What a network found at one place under one augmentation, in slice pixels."""

    heat: FloatArray
    """Rim, outer edge and free edge by the heat maps; (3, 2)."""
    outline: FloatArray
    """The same by the outlines of tibia and meniscus, NaN where there is none; (3, 2)."""
    sd_mm: FloatArray
    mass: FloatArray
    bone: float
    body: float

    @property
    def estimates(self) -> FloatArray:
        """Both estimates of each landmark, shape (2, 3, 2).

        The rim has two, since the errors of heat map and outline differ; the outer edge is the heat
        map's, which knows capsule from meniscus; the free edge is the outline's.
        """
        outline = np.where(np.isnan(self.outline), self.heat, self.outline)
        rims = self.heat[:1], outline[:1]
        return np.stack([np.concatenate([rim, self.heat[1:2], outline[2:]]) for rim in rims])


class MarginModel:
    """The margin networks, applied to one stack."""

    def __init__(self, grids: Sequence[PixelGrid], pixels: NDArray[np.generic]) -> None:
        self.grids, self.pixels = grids, pixels
        self.spacing = np.array([grids[0].column_spacing_mm, grids[0].row_spacing_mm])
        self.upended, self.backward = is_upended(grids[0]), is_backward(grids[0])

    def predict(self, places: Sequence[Place]) -> list[Margin]:
        """Find the landmarks at each place: one pass centres the frame, then all augmentations."""
        first = self._run(places, AUGMENTATIONS[0])
        centred = [
            replace(place, rim=found.heat[0], edge=found.heat[1])
            for place, found in zip(places, first, strict=True)
        ]
        predictions = [self._run(centred, augmentation) for augmentation in AUGMENTATIONS]
        return [
            self._combined(place, several)
            for place, several in zip(centred, zip(*predictions, strict=True), strict=True)
        ]

    def _frame(self, place: Place, augmentation: Augmentation) -> ViewFrame:
        shift = augmentation.shift_mm
        outward = 1.0 if place.right else -1.0
        upward = 1.0 if self.upended else -1.0
        away = np.array([outward * (shift[0] - MARGIN_INWARD_MM), upward * shift[1]])
        centre = (place.rim + place.edge) / 2 + away / self.spacing
        return ViewFrame(
            (float(centre[0]), float(centre[1])),
            MARGIN_PIXEL_MM * augmentation.scale,
            MARGIN_SIZE,
            mirrored=not place.right,
            upended=self.upended,
        )

    def _run(self, places: Sequence[Place], augmentation: Augmentation) -> list[Prediction]:
        frames = [self._frame(place, augmentation) for place in places]
        windows = [self._window(*pair) for pair in zip(places, frames, strict=True)]
        pictures = np.stack([normalised(window, augmentation.gamma) for window in windows])
        found = networks.run(augmentation.network, pictures)
        return [
            self._read(place, frame, found, i)
            for i, (place, frame) in enumerate(zip(places, frames, strict=True))
        ]

    def _read(self, place: Place, frame: ViewFrame, found: networks.Outputs, i: int) -> Prediction:
        grid, heat = self.grids[place.slice_index], found.points[i]
        outward = place.outward / frame.steps(grid)
        axis = outward / np.linalg.norm(outward)
        ends = outlines.meniscal_ends(found.tissue[i, 1], heat[1], axis)
        rim = outlines.rim(found.tissue[i, 0], heat[0], axis)
        nowhere = np.full(2, np.nan)
        outline = np.stack([nowhere if rim is None else rim, *(ends or (nowhere, nowhere))])
        return Prediction(
            frame.to_slice(heat, grid),
            frame.to_slice(outline, grid),
            np.exp(np.clip(found.scalars[i], -3, 4)) * frame.pixel_mm,
            found.mass[i],
            outlines.bone(found.tissue[i, 0], heat[0], axis),
            outlines.body(found.tissue[i, 1], heat[1], axis),
        )

    def _window(self, place: Place, frame: ViewFrame) -> NDArray[np.float32]:
        near = range(max(place.slice_index - 1, 0), min(place.slice_index + 2, len(self.grids)))
        patient = self.grids[place.slice_index].to_patient(frame.centre)
        views = []
        for index in near:
            column, row = self.grids[index].to_pixel(patient)
            moved = replace(frame, centre=(float(column), float(row)))
            views.append(moved.resample(self.pixels[index], self.grids[index]))
        window = with_neighbours(views, place.slice_index - near[0])
        return window[::-1] if self.backward else window

    def _combined(self, place: Place, predictions: Sequence[Prediction]) -> Margin:
        estimates = np.concatenate([item.estimates for item in predictions])
        shares = np.tile([HEAT_SHARE, 1 - HEAT_SHARE], len(predictions))
        rim = np.average(estimates[:, :1], axis=0, weights=shares)
        line = place.outward * self.spacing
        along = (estimates * self.spacing) @ (line / np.linalg.norm(line))
        networks_used = np.repeat([item.network for item in AUGMENTATIONS], 2)
        means = [along[networks_used == name].mean(axis=0) for name in sorted(set(networks_used))]
        return Margin(
            np.concatenate([rim, np.median(estimates[:, 1:], axis=0)]),
            along.std(axis=0),
            np.sqrt(np.mean([item.sd_mm**2 for item in predictions], axis=0)),
            np.min([item.mass for item in predictions], axis=0),
            math.sqrt(2) * np.std(means, axis=0, ddof=1),
            float(np.mean([item.bone for item in predictions])),
            float(np.mean([item.body for item in predictions])),
        )


def find_margins(
    grids: Sequence[PixelGrid],
    pixels: NDArray[np.generic],
    seen: Survey,
    chosen: Sequence[int],
) -> dict[tuple[int, int], Margin]:
    """Find the landmarks on both sides of the slices; keys are (slice, 0 left or 1 right)."""
    places = [
        Place(i, bool(right), rims[right], edges[right], rims[right] - rims[1 - right])
        for i, (rims, edges) in zip(chosen, seen.pixels[chosen].reshape(-1, 2, 2, 2), strict=True)
        for right in (0, 1)
    ]
    found = MarginModel(grids, pixels).predict(places)
    keys = [(place.slice_index, int(place.right)) for place in places]
    return dict(zip(keys, found, strict=True))

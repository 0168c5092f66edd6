"""Whether what was found is consistent with a knee: many facts, never one answer alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.locate.margins import Margin
from meniscal_measure.locate.plateau import spines_mm
from meniscal_measure.locate.survey import Survey

FLAT_MM = -8.0
"""Height of the spine where no surface of a tibia was found: the lowest that is sought."""
MARKS = (0, 1)
"""Of rim, outer edge and free edge, those that the measurement rests on."""


@dataclass(frozen=True)
class Facts:
    """What is known of the slice that would be measured; lengths are the worst of both sides."""

    coronal: float
    """Probability by the first stage that slices near it are coronal ones of a knee."""
    measurable: float
    """Highest probability by the first stage that one of them shows both meniscal bodies."""
    width_mm: float
    """From rim to rim."""
    tilt_deg: float
    """Of the line of the rims to the rows of the image."""
    edge_low_mm: float
    """Least height of an outer edge above the line of the rims."""
    stages_mm: float
    """Distance between the stages' places of a rim or outer edge."""
    mirrored_mm: float
    """Distance between the first stage's places on the image and on its mirror image."""
    networks_mm: float
    """Disagreement of the margin networks' places, along the line of the rims."""
    spread_mm: float
    """Standard deviation between the augmentations, along that line."""
    stated_mm: float
    """Standard deviation stated by the margin networks."""
    roughness_mm: float
    """Departure of a rim from a smooth course over the neighbouring slices."""
    bone: float
    """How clearly tibia lies below the rims and none above, see `outlines.bone`."""
    body: float
    """Probability of meniscus just inward of the outer edge, the lesser side."""
    spine_mm: float
    """Height of the higher tibial spine above the line of the rims."""


@dataclass(frozen=True)
class Evidence:
    """What all stages found about a slice."""

    index: int
    """The slice, in the order of the stack."""
    grids: Sequence[PixelGrid]
    """Planes of the slices of the stack."""
    seen: Survey
    """What the first stage found on every slice."""
    mirrored: Mapping[int, FloatArray]
    """What it found on mirror images, by slice."""
    margins: Mapping[tuple[int, int], Margin]
    """What the second stage found; keys are (slice, 0 left or 1 right)."""
    void: bool = False
    """Whether the bone below the joint gives no signal."""

    @property
    def both(self) -> list[Margin]:
        """The margins of the slice, left and right."""
        return [self.margins[self.index, right] for right in (0, 1)]

    @property
    def spacing(self) -> FloatArray:
        """Pixel along rows and columns, mm."""
        grid = self.grids[self.index]
        return np.array([grid.column_spacing_mm, grid.row_spacing_mm])

    def facts(self) -> Facts:
        """Put the findings into numbers that can be compared with those of knees."""
        near = slice(max(self.index - 1, 0), self.index + 2)
        return Facts(
            coronal=float(self.seen.coronal[near].mean()),
            measurable=float(self.seen.measurable[near].max()),
            **self._geometry(),
            **self._agreement(),
            bone=min(margin.bone for margin in self.both),
            body=min(margin.body for margin in self.both),
            spine_mm=float(np.nanmax([*spines_mm(self.seen.surface_mm[near]).ravel(), FLAT_MM])),
        )

    def _geometry(self) -> dict[str, float]:
        points = np.stack([margin.pixels * self.spacing for margin in self.both])
        line = points[1, 0] - points[0, 0]
        width_mm = float(np.linalg.norm(line))
        along = line / max(width_mm, 1e-6)
        down = 1 if self.grids[self.index].column_direction[2] < 0 else -1
        upward = down * np.array([along[1], -along[0]])
        return {
            "width_mm": width_mm if line[0] > 0 else -width_mm,
            "tilt_deg": float(np.degrees(np.arctan2(abs(line[1]), abs(line[0])))),
            "edge_low_mm": float(((points[:, 1] - points[:, 0]) @ upward).min()),
        }

    def _agreement(self) -> dict[str, float]:
        found = np.stack([margin.pixels[mark] for mark in MARKS for margin in self.both])
        coarse = self.seen.pixels[self.index]
        return {
            "stages_mm": self._farthest_mm(found, coarse),
            "mirrored_mm": self._farthest_mm(coarse, self.mirrored[self.index]),
            "networks_mm": self._worst("between_networks_mm"),
            "spread_mm": self._worst("spread_mm"),
            "stated_mm": self._worst("sd_mm"),
            "roughness_mm": self._roughness_mm(),
        }

    def _farthest_mm(self, one: FloatArray, other: FloatArray) -> float:
        return float(np.linalg.norm((one - other) * self.spacing, axis=-1).max())

    def _worst(self, name: str) -> float:
        return max(float(getattr(margin, name)[list(MARKS)].max()) for margin in self.both)

    def _roughness_mm(self) -> float:
        """Second differences of the rims over the slice and its neighbours, at their worst."""
        slices = sorted({index for index, _ in self.margins})
        courses = [
            np.stack([self.margins[index, right].pixels[0] * self.spacing for index in slices])
            for right in (0, 1)
        ]
        bends = [np.abs(np.diff(course, n=2, axis=0)) for course in courses if len(course) > 2]
        return max((float(bend.max()) / 2 for bend in bends), default=0.0)

"""Synthetic readers: landmarks placed with a stated random error and a stated bias."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import Vector, as_vector, unit_vector
from meniscal_measure.workshop.knees.truth_file import StudyTruth, TrueSlice

PlacedPoints = dict[tuple[int, Compartment, Landmark], Vector]
"""Points in LPS mm by slice index, compartment and landmark."""


@dataclass(frozen=True)
class Reader:
    """A reader who places every landmark independently."""

    sd_mm: float
    """Standard deviation of a landmark along either direction in the slice. The extrusion then has
    a standard deviation of sqrt(2) times that, and a little more from the axis."""
    bias_mm: float
    """How far outward along the plateau axis the outer edge is set on average; the mean error of
    the extrusion."""


def placed_by(reader: Reader, truth: StudyTruth, rng: np.random.Generator) -> PlacedPoints:
    """Place the landmarks of every slice of the coronal series that shows them all once."""
    placed: PlacedPoints = {}
    for item in truth.coronal.slices if truth.coronal is not None else ():
        if item.shown:
            for (compartment, landmark), point in _placed_on(reader, item, rng).items():
                placed[item.index, compartment, landmark] = point
    return placed


def _placed_on(
    reader: Reader, item: TrueSlice, rng: np.random.Generator
) -> dict[tuple[Compartment, Landmark], Vector]:
    placed = {}
    for compartment, points in item.points.items():
        rim, other = (
            np.array(item.points[name][Landmark.RIM])
            for name in (compartment, compartment.opposite)
        )
        outward = unit_vector(rim - other)
        for landmark, point in points.items():
            across, down = rng.normal(scale=reader.sd_mm, size=2)
            error = across * item.grid.row_direction + down * item.grid.column_direction
            if landmark is Landmark.OUTER_EDGE:
                error = error + reader.bias_mm * outward
            placed[compartment, landmark] = as_vector(np.array(point) + error)
    return placed

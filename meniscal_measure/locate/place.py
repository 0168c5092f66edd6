"""From the margins found on several slices to landmarks in patient space."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.checks import MIN_STEP_SD
from meniscal_measure.caliper.landmarks import Origin, PlacedLandmark, SliceLandmarks
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector, unit_vector
from meniscal_measure.locate import calibration
from meniscal_measure.locate.consensus import smoothed
from meniscal_measure.locate.margins import Margin

POINTS = (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)
SMOOTH = (0, 1)
"""Rim and outer edge follow the border of the plateau; the free edge does not near the horns."""
SURE_FREE_EDGE_SD = MIN_STEP_SD + 1
"""Standard deviations by which free edge and outer edge must lie apart: one more than the caliper
asks, so that a free edge is also sure along another axis than the line of the rims."""


def landmarks_of(
    grids: Sequence[PixelGrid],
    margins: Mapping[tuple[int, int], Margin],
    chosen: Sequence[int],
    side: Side | None,
    spacing_mm: float | None,
) -> list[SliceLandmarks]:
    """Give the landmarks of each chosen slice, drawn smoothly over the slices.

    Parameters
    ----------
    grids
        Planes of the slices of the stack.
    margins
        What was found on the chosen slices; keys are (slice, 0 left or 1 right).
    chosen
        Consecutive slices.
    side
        Body side; without it the compartments are those of the image.
    spacing_mm
        Distance between slices; None where there is but one.
    """
    points: list[dict[Compartment, dict[Landmark, PlacedLandmark]]] = [{} for _ in chosen]
    for right in (0, 1):
        compartment = compartment_of(grids[chosen[0]], bool(right), side)
        course = along_slices(grids, [margins[i, right] for i in chosen], chosen, spacing_mm)
        for slice_points, (pixel, margin), index in zip(points, course, chosen, strict=True):
            slice_points[compartment] = _landmarks(grids[index], pixel, margin)
    return [
        SliceLandmarks(i, {name: _with_sure_free_edge(p, name) for name in p})
        for i, p in zip(chosen, points, strict=True)
    ]


def _with_sure_free_edge(
    points: Mapping[Compartment, Mapping[Landmark, PlacedLandmark]], compartment: Compartment
) -> dict[Landmark, PlacedLandmark]:
    """Leave out a free edge of which it is not sure that it lies inward of the outer edge."""
    placed = dict(points[compartment])
    if Landmark.FREE_EDGE in placed:
        free, edge = placed[Landmark.FREE_EDGE], placed[Landmark.OUTER_EDGE]
        opposite = points[compartment.opposite][Landmark.RIM]
        axis = unit_vector(np.subtract(placed[Landmark.RIM].point_mm, opposite.point_mm))
        body_mm = float(np.subtract(edge.point_mm, free.point_mm) @ axis)
        if body_mm < SURE_FREE_EDGE_SD * max(free.sd_mm, edge.sd_mm):
            del placed[Landmark.FREE_EDGE]
    return placed


def along_slices(
    grids: Sequence[PixelGrid],
    margins: Sequence[Margin],
    chosen: Sequence[int],
    spacing_mm: float | None,
) -> list[tuple[FloatArray, Margin]]:
    """Draw rim and outer edge smoothly over the slices; gives pixels of all points on each.

    A stack of one slice, which has no spacing, is left as it is.
    """
    grid = grids[chosen[0]]
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    pixels = np.stack([margin.pixels for margin in margins])
    if spacing_mm is None:
        return list(zip(pixels, margins, strict=True))
    for point in SMOOTH:
        sds = np.array([calibration.sd_mm(margin)[point] for margin in margins])
        pixels[:, point] = smoothed(pixels[:, point] * spacing, sds, spacing_mm) / spacing
    return list(zip(pixels, margins, strict=True))


def _landmarks(
    grid: PixelGrid, pixels: FloatArray, margin: Margin
) -> dict[Landmark, PlacedLandmark]:
    sds = calibration.sd_mm(margin)
    return {
        landmark: PlacedLandmark(as_vector(grid.to_patient(pixel)), float(sd), Origin.PROPOSED)
        for landmark, pixel, sd in zip(POINTS, pixels, sds, strict=True)
        if landmark is not Landmark.FREE_EDGE or sd < calibration.WORST_FREE_EDGE_SD_MM
    }


def compartment_of(grid: PixelGrid, right: bool, side: Side | None) -> Compartment:
    """Compartment on the right or left of the image.

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 64, 64)
    >>> compartment_of(grid, True, Side.RIGHT), compartment_of(grid, True, None)
    (<Compartment.MEDIAL: 'medial'>, <Compartment.IMAGE_RIGHT: 'image_right'>)
    """
    if side is None:
        return Compartment.IMAGE_RIGHT if right else Compartment.IMAGE_LEFT
    toward = math.copysign(1, grid.row_direction[0]) * (1 if right else -1)
    return Compartment.MEDIAL if toward == side.medial_x else Compartment.LATERAL

"""Moving the landmarks of a slice onto the edges they were set near."""

from __future__ import annotations

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike

from meniscal_measure.anatomy import Landmark
from meniscal_measure.caliper.axis import in_patient, name_of
from meniscal_measure.caliper.edges import SEARCH_MM, RefinedEdge, refine_edge
from meniscal_measure.caliper.landmarks import Origin, PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.measure import slice_geometry
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import EdgeNotFoundError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import FloatArray, PixelGrid

MODEL_SD_PX = 0.1
"""What a single straight step leaves out of a position, in pixels: curved edges, neighbouring
tissue, chemical shift, interpolation by the scanner. A judgement; no source.
"""

SEARCH_SD = 3.0
"""An edge further away than this many standard deviations of the placement is another edge."""

REFINABLE = (Landmark.OUTER_EDGE,)
"""Landmarks that lie on an edge crossed by the measuring direction.

The rim is not among them: it is the middle of a rounded corner, and a straight step fitted there
finds the cortex or the fluid beyond it, a few tenths of a millimetre outward.
"""


@dataclass(frozen=True)
class RefinedSlice:
    """Landmarks after refinement, and why any of them stayed as placed."""

    landmarks: SliceLandmarks
    findings: tuple[Finding, ...]


def refine_slice(
    landmarks: SliceLandmarks,
    image: ArrayLike,
    grid: PixelGrid,
    axis: AxisConvention = AxisConvention.RIM_TO_RIM,
) -> RefinedSlice:
    """Move the `REFINABLE` landmarks along the measuring direction onto the edge nearby.

    A moved landmark has the origin `refined` and its standard deviation combines that of the fit,
    what an oblique edge makes of the placement across the axis, and `MODEL_SD_PX`. A landmark stays
    as placed where there is no edge within `SEARCH_SD` of its standard deviations. The image has
    the shape (rows, columns).

    Raises
    ------
    LandmarkError
        If landmarks are missing, outside the image, off the slice or out of order.
    """
    geometry = slice_geometry(landmarks, grid, axis)
    points = {compartment: dict(placed) for compartment, placed in landmarks.points.items()}
    findings = []
    for compartment, direction in geometry.axes.items():
        for landmark in REFINABLE:
            if landmark in points[compartment]:
                placed, reason = _refined(
                    points[compartment][landmark], image, grid, in_patient(grid, direction)
                )
                points[compartment][landmark] = placed
                if reason:
                    values = {"landmark": name_of(compartment, landmark), "reason": reason}
                    findings.append(Finding(Code.EDGE_NOT_FOUND, values, landmarks.slice_index))
    return RefinedSlice(SliceLandmarks(landmarks.slice_index, points), tuple(findings))


def _refined(
    placed: PlacedLandmark, image: ArrayLike, grid: PixelGrid, direction: FloatArray
) -> tuple[PlacedLandmark, str]:
    """Return the landmark, moved if there is an edge, and else why it is not."""
    search_mm = min(SEARCH_MM, SEARCH_SD * placed.sd_mm)
    try:
        edge = refine_edge(
            image, grid, point_mm=placed.point_mm, direction=direction, search_mm=search_mm
        )
    except EdgeNotFoundError as error:
        return placed, str(error)
    return _moved(placed, edge, grid), ""


def _moved(placed: PlacedLandmark, edge: RefinedEdge, grid: PixelGrid) -> PlacedLandmark:
    pixel_mm = math.sqrt(grid.row_spacing_mm * grid.column_spacing_mm)
    oblique_mm = edge.slope * placed.across_mm
    return PlacedLandmark(
        point_mm=edge.point_mm,
        sd_mm=math.hypot(edge.sd_mm, oblique_mm, MODEL_SD_PX * pixel_mm),
        origin=Origin.REFINED,
        sd_across_mm=placed.across_mm,
    )

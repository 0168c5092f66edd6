"""Landmarks at known places of a drawn knee, on slices whose planes are made for them."""

from __future__ import annotations

from meniscal_measure.anatomy import Plane
from meniscal_measure.geometry import PixelGrid, Vector
from meniscal_measure.knee.named_landmarks import LandmarkSpace, SpatialLandmark
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.slice_name import SliceName


def landmark(
    name: str, point_mm: Vector, *, sd_mm: float = 0.0, sd_across_mm: float = 0.0
) -> SpatialLandmark:
    """Place a landmark on an axial slice through it."""
    grid = PixelGrid((-80.0, -80.0, point_mm[2]), (1, 0, 0), (0, 1, 0), 0.5, 0.5, 320, 320)
    column, row = (float(value) for value in grid.to_pixel(point_mm))
    return SpatialLandmark(
        name=name,
        point_mm=point_mm,
        pixel=(column, row),
        sd_mm=sd_mm,
        sd_across_mm=sd_across_mm,
        grid=grid,
        slice_index=0,
        where=TracedSlice(Plane.AXIAL, SliceName(1, 30, 12), "1.2.3"),
        frame_of_reference_uid="1.2",
    )


def space(*landmarks: SpatialLandmark) -> LandmarkSpace:
    """Put landmarks into one frame of reference."""
    return LandmarkSpace(landmarks)

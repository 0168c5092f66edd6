"""Refusing landmarks that lie off the image, in an impossible order or on the wrong side."""

from __future__ import annotations

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import PlanePoints, name_of, outward
from meniscal_measure.caliper.definitions import measured_compartments
from meniscal_measure.caliper.landmarks import PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError, SideError
from meniscal_measure.geometry import FloatArray, PixelGrid

OFF_PLANE_TOLERANCE_MM = 0.2
"""Largest distance of a landmark from its slice plane.

Coordinates copied with one decimal stay within 0.09 mm; neighbouring slices, even of thin
three-dimensional series, lie further apart.
"""

MAX_EXTRUSION_MM = 25.0
"""Largest accepted distance between rim and outer edge, either way.

More than twice the width of a meniscal body (10 to 12 mm, Bruns 2014): beyond it a landmark was
set on something else.
"""

MIN_BODY_WIDTH_MM = 1.0
"""Smallest accepted distance of inner tip from outer edge and of spine base from rim."""

PLATEAU_WIDTH_RANGE_MM = (40.0, 120.0)
"""Plausible distance between the rims (adults: 73 +- 7 mm); outside it a warning is given."""


def check_on_slice(name: str, placed: PlacedLandmark, grid: PixelGrid) -> None:
    """Refuse a landmark outside the image or off the plane of its slice.

    Raises
    ------
    LandmarkError
        With the name of the landmark and the remedy.
    """
    off_plane_mm = abs(float(grid.off_plane_mm(placed.point_mm)))
    if not off_plane_mm <= OFF_PLANE_TOLERANCE_MM:
        raise LandmarkError(
            f"{name} lies {off_plane_mm:.2f} mm off the plane of its slice, more than"
            f" {OFF_PLANE_TOLERANCE_MM} mm. Give the slice it was placed on."
        )
    column, row = (float(value) for value in grid.to_pixel(placed.point_mm))
    if not grid.contains((column, row)):
        raise LandmarkError(
            f"{name} lies at column {column:.1f}, row {row:.1f}, outside the image of"
            f" {grid.columns} columns and {grid.rows} rows. Give [column, row] counted from 0 at"
            " the upper left pixel, or x, y, z in patient mm."
        )


def check_complete(landmarks: SliceLandmarks) -> None:
    """Refuse a slice on which nothing can be measured or an outer edge has no rim.

    Raises
    ------
    LandmarkError
        With the landmarks that are missing.
    """
    for compartment, placed in landmarks.points.items():
        if Landmark.OUTER_EDGE in placed and Landmark.RIM not in placed:
            raise LandmarkError(
                f"{name_of(compartment, Landmark.OUTER_EDGE)} is placed on slice"
                f" {landmarks.slice_index} without {name_of(compartment, Landmark.RIM)}, from"
                " which extrusion is measured. Place it too."
            )
    if not any(Landmark.OUTER_EDGE in placed for placed in landmarks.points.values()):
        raise LandmarkError(
            f"No outer edge is placed on slice {landmarks.slice_index}, so nothing can be"
            " measured there. Place rim and outer edge of at least one compartment."
        )


def check_order(points: PlanePoints, convention: AxisConvention) -> None:
    """Refuse landmarks that do not follow each other outward as the anatomy demands.

    Raises
    ------
    LandmarkError
        If an inner tip is not inward of its outer edge, a spine base not inward of its rim, or
        the outer edge implausibly far from the rim.
    """
    for compartment in measured_compartments(points):
        axis = outward(points, compartment, convention)
        _check_extrusion(points, compartment, axis)
        _check_inward(
            points, axis, (compartment, Landmark.INNER_TIP), (compartment, Landmark.OUTER_EDGE)
        )
        _check_inward(points, axis, (compartment, Landmark.SPINE_BASE), (compartment, Landmark.RIM))


def _check_extrusion(points: PlanePoints, compartment: Compartment, axis: FloatArray) -> None:
    rim, edge = points[compartment, Landmark.RIM], points[compartment, Landmark.OUTER_EDGE]
    extrusion_mm = float((edge - rim) @ axis)
    if abs(extrusion_mm) > MAX_EXTRUSION_MM:
        raise LandmarkError(
            f"{name_of(compartment, Landmark.OUTER_EDGE)} lies {extrusion_mm:.1f} mm outward of"
            f" {name_of(compartment, Landmark.RIM)}; beyond {MAX_EXTRUSION_MM:.0f} mm either way"
            " the landmarks are taken to be in the wrong order or on the wrong side. Check both."
        )


def _check_inward(
    points: PlanePoints,
    axis: FloatArray,
    inner: tuple[Compartment, Landmark],
    outer: tuple[Compartment, Landmark],
) -> None:
    if inner not in points:
        return
    distance_mm = float((points[outer] - points[inner]) @ axis)
    if distance_mm < MIN_BODY_WIDTH_MM:
        raise LandmarkError(
            f"{name_of(*inner)} must lie inward of {name_of(*outer)} by at least"
            f" {MIN_BODY_WIDTH_MM} mm, but the distance outward is {distance_mm:.2f} mm: the"
            " landmarks are in the wrong order or on the wrong side. Check both."
        )


def check_side(landmarks: SliceLandmarks, grid: PixelGrid, side: Side | None) -> None:
    """Refuse compartments that lie on the wrong side of the knee, or of the image.

    Parameters
    ----------
    landmarks
        Landmarks of one slice; checked where both rims are placed.
    grid
        The plane of the slice.
    side
        Body side of the knee, None while unknown; medial and lateral cannot be checked then.

    Raises
    ------
    SideError
        If medial and lateral contradict the side.
    LandmarkError
        If image left and image right are exchanged.
    """
    if side is not None:
        towards_medial = _offset_mm(landmarks, Compartment.MEDIAL)
        if towards_medial is not None and towards_medial[0] * side.medial_x <= 0:
            raise SideError(
                f"In a {side.word} knee the medial rim lies towards the patient's"
                f" {'left' if side is Side.RIGHT else 'right'}, but medial_rim is placed on the"
                " other side of lateral_rim. Exchange medial and lateral in the landmarks, or"
                " correct the side."
            )
    towards_left = _offset_mm(landmarks, Compartment.IMAGE_LEFT)
    if towards_left is not None and float(towards_left @ grid.row_direction) >= 0:
        raise LandmarkError(
            "image_left_rim is placed to the right of image_right_rim in the image. Exchange the"
            " two names."
        )


def _offset_mm(landmarks: SliceLandmarks, compartment: Compartment) -> FloatArray | None:
    """Vector from the rim of the opposite compartment to that of this one, LPS mm."""
    rims = [
        landmarks.points.get(side, {}).get(Landmark.RIM)
        for side in (compartment, compartment.opposite)
    ]
    if rims[0] is None or rims[1] is None:
        return None
    return np.subtract(rims[0].point_mm, rims[1].point_mm)

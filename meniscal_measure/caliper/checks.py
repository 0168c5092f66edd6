"""Refusing landmarks that lie off the image, in an impossible order or on the wrong side."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import PlanePoints, Point, name_of, outward
from meniscal_measure.caliper.definitions import measured_compartments
from meniscal_measure.caliper.landmarks import PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError, SideError
from meniscal_measure.geometry import FloatArray, PixelGrid, unit_vector

OFF_PLANE_TOLERANCE_MM = 0.2
"""Largest distance of a landmark from its slice plane.

Coordinates copied with one decimal stay within 0.09 mm; neighbouring slices, even of thin
three-dimensional series, lie further apart.
"""

MAX_EXTRUSION_MM = 25.0
"""Largest accepted distance of an outer edge outward of its rim: more than twice the width of a
meniscal body (10 to 12 mm, Bruns 2014); beyond it a landmark was set on something else."""

MIN_STEP_MM = 1.0
"""Smallest accepted distance outward from free edge to outer edge and from spine base to rim.

Nor may it be less than `MIN_STEP_SD` standard deviations of either landmark: below that their
order is not known, and a first-order uncertainty of their quotient means nothing.
"""

MIN_STEP_SD = 3.0
"""Fewest standard deviations of a landmark that a step must measure."""

MIN_PLATEAU_WIDTH_MM = 10.0
"""Rims closer together than this cannot be those of one knee, of whatever age."""

MAX_INWARD_MM = 5.0
"""Largest accepted distance of an outer edge inward of its rim.

The outer edge of a body is held near the rim by its capsule; half a body width inward of it, rim
and outer edge were exchanged (common practice, no source).
"""

UNUSUAL_INWARD_MM = 2.0
"""An outer edge further inward of its rim than this is warned of."""

UNUSUAL_EXTRUSION_MM = 9.0
"""An outer edge further outward of its rim than this is warned of.

The largest of 46 knees with a root tear was 8.8 mm (Furumatsu 2017: mean 4.5 mm, SD 1.6 mm).
"""

UNUSUAL_HEIGHT_MM = 16.0
"""An outer edge further above or below its rim than this is warned of.

The meniscus lies between rim and femur, which are 8.7 mm apart (SD 1.2 mm) laterally at the middle
of the joint and 11.6 mm (SD 2.1 mm) on the rearmost slices of 44 segmented knees (label maps of
arXiv:2211.16696): the largest mean and two standard deviations.
"""

MAX_PLATEAU_TILT_DEG = 45.0
"""Largest angle of a plateau against the patient's left-right axis, seen from the front.

A knee lies within some ten degrees of it; beyond 45 degrees column and row were exchanged.
"""

PLATEAU_WIDTH_RANGE_MM = (50.0, 97.0)
"""Plausible distance between the rims, outside which a warning is given: adults have 73.4 +- 6.9 mm
(Iranian MRI series, n = 132), here with about 3.4 standard deviations to either side. A wrong pixel
spacing shows first in this width.
"""


SQUARE_PIXEL_TOLERANCE = 0.01
"""Row and column spacings that differ by more are noted: MR images nearly always have square
pixels, so that one of the two may be wrong (common practice, no source)."""


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
                f"{name_of(compartment, Landmark.OUTER_EDGE)} is placed without"
                f" {name_of(compartment, Landmark.RIM)}, from which extrusion is measured. Place it"
                " too."
            )
    if not any(Landmark.OUTER_EDGE in placed for placed in landmarks.points.values()):
        raise LandmarkError(
            "No outer edge is placed, so nothing can be measured. Place rim and outer edge of at"
            " least one compartment."
        )


def check_order(
    points: PlanePoints, sds_mm: Mapping[Point, float], convention: AxisConvention
) -> None:
    """Refuse landmarks that do not follow each other outward as the anatomy demands.

    `sds_mm` has the standard deviation of each along the measuring direction.

    Raises
    ------
    LandmarkError
        If a free edge is not inward of its outer edge, a spine base not inward of its rim, the
        outer edge implausibly far from the rim, or the rims are too close together.
    """
    for compartment in measured_compartments(points):
        axis = outward(points, compartment, convention)
        rim, edge = (compartment, Landmark.RIM), (compartment, Landmark.OUTER_EDGE)
        for inner, outer in (
            ((compartment, Landmark.FREE_EDGE), edge),
            ((compartment, Landmark.SPINE_BASE), rim),
        ):
            if inner in points:
                least_mm = max(MIN_STEP_MM, MIN_STEP_SD * max(sds_mm[inner], sds_mm[outer]))
                distance_mm = float((points[outer] - points[inner]) @ axis)
                _check_step(inner, outer, distance_mm, least_mm)
        _check_extrusion(rim, edge, float((points[edge] - points[rim]) @ axis))
        opposite = (compartment.opposite, Landmark.RIM)
        if opposite in points:
            width_mm = float(np.linalg.norm(points[rim] - points[opposite]))
            if width_mm < MIN_PLATEAU_WIDTH_MM:
                raise LandmarkError(
                    f"{name_of(*rim)} and {name_of(*opposite)} are only {width_mm:.1f} mm apart;"
                    f" the rims of one knee are more than {MIN_PLATEAU_WIDTH_MM:.0f} mm apart."
                    " Check both and the pixel spacing."
                )


def _check_extrusion(rim: Point, edge: Point, extrusion_mm: float) -> None:
    if extrusion_mm < -MAX_INWARD_MM:
        raise LandmarkError(
            f"{name_of(*edge)} lies {-extrusion_mm:.1f} mm inward of {name_of(*rim)}, more than"
            f" {MAX_INWARD_MM:.0f} mm: the two are in the wrong order or on the wrong side. Check"
            " both."
        )
    if extrusion_mm > MAX_EXTRUSION_MM:
        raise LandmarkError(
            f"{name_of(*edge)} lies {extrusion_mm:.1f} mm outward of {name_of(*rim)}; beyond"
            f" {MAX_EXTRUSION_MM:.0f} mm the landmarks are taken to be in the wrong order or on the"
            " wrong side. Check both."
        )


def _check_step(inner: Point, outer: Point, distance_mm: float, least_mm: float) -> None:
    if distance_mm < least_mm:
        raise LandmarkError(
            f"{name_of(*inner)} must lie inward of {name_of(*outer)} by at least {least_mm:.1f} mm,"
            f" but the distance outward is {distance_mm:.2f} mm: the landmarks are in the wrong"
            " order or on the wrong side, or placed too loosely. Check both."
        )


def check_side(landmarks: SliceLandmarks, grid: PixelGrid, side: Side | None) -> None:
    """Refuse compartments that lie above each other, or on the wrong side of knee or image.

    While the side of the knee is unknown (None), medial and lateral cannot be checked.

    Raises
    ------
    SideError
        If medial and lateral contradict the side.
    LandmarkError
        If the plateau stands upright, or image left and image right are exchanged.
    """
    for compartment in landmarks.points:
        _check_level(landmarks, compartment)
    if side is not None:
        _check_anatomy(landmarks, side)
    towards_left = _outward_mm(landmarks, Compartment.IMAGE_LEFT)
    if towards_left is not None and float(towards_left @ grid.row_direction) > 0:
        raise LandmarkError(
            "The landmarks called image_left lie to the right of those called image_right, or"
            " point there. Exchange the two names."
        )


def _check_level(landmarks: SliceLandmarks, compartment: Compartment) -> None:
    direction = _outward_mm(landmarks, compartment)
    if direction is None or not np.any(direction):
        return
    tilt_deg = math.degrees(math.asin(abs(float(unit_vector(direction)[2]))))
    if tilt_deg > MAX_PLATEAU_TILT_DEG:
        raise LandmarkError(
            f"The {compartment.words} landmarks lie above each other: seen from the front they are"
            f" turned {tilt_deg:.0f} degrees against the patient's left-right axis, and a plateau"
            f" no more than {MAX_PLATEAU_TILT_DEG:.0f}. Check that column comes first and row"
            " second."
        )


def _check_anatomy(landmarks: SliceLandmarks, side: Side) -> None:
    for compartment, sign in ((Compartment.MEDIAL, 1), (Compartment.LATERAL, -1)):
        direction = _outward_mm(landmarks, compartment)
        if direction is not None and direction[0] * side.medial_x * sign < 0:
            towards = "left" if side.medial_x * sign > 0 else "right"
            raise SideError(
                f"In a {side.word} knee the {compartment} compartment lies towards the patient's"
                f" {towards}, but its landmarks point the other way: they are on the wrong side or"
                " in the wrong order. Exchange medial and lateral, or correct the side."
            )


def _outward_mm(landmarks: SliceLandmarks, compartment: Compartment) -> FloatArray | None:
    """Vector that must point out of the knee in a compartment, LPS mm; None if nothing shows it.

    From the opposite rim, else from the spine base, to the rim; else from free edge to outer edge.
    """
    own = landmarks.points.get(compartment, {})
    other = landmarks.points.get(compartment.opposite, {})
    for inner, outer in (
        (other.get(Landmark.RIM), own.get(Landmark.RIM)),
        (own.get(Landmark.SPINE_BASE), own.get(Landmark.RIM)),
        (own.get(Landmark.FREE_EDGE), own.get(Landmark.OUTER_EDGE)),
    ):
        if inner is not None and outer is not None:
            return np.subtract(outer.point_mm, inner.point_mm)
    return None

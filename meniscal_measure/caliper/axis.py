"""The measuring direction: which way is outward in a compartment, under each convention.

Works in the slice plane: points are `[x, y]` in mm, x along the rows and y down the columns of
the image, as `in_plane_mm` gives them. Several cases are worked out at once where a point is
given as an array of shape (2, cases).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, PixelGrid

Point = tuple[Compartment, Landmark]
PlanePoints = Mapping[Point, FloatArray]
"""In-plane position of each placed landmark, mm, shape (2,) or (2, cases)."""

MAX_IMAGE_TILT_DEG = 30.0
"""Largest angle between the rows and the line through the rims at which `image_vertical` is used.

Knees lie within some ten degrees of upright; beyond 30 degrees the vertical of the image is not
that of the knee, or the image is turned on its side.
"""


def name_of(compartment: Compartment, landmark: Landmark) -> str:
    """Name of a landmark as landmark files and messages write it, such as `medial_rim`.

    Examples
    --------
    >>> name_of(Compartment.MEDIAL, Landmark.RIM)
    'medial_rim'
    """
    return f"{compartment}_{landmark}"


def in_plane_mm(grid: PixelGrid, point_mm: ArrayLike) -> FloatArray:
    """Project a patient point, LPS mm, to `[x, y]` mm in the slice plane, shape (2,).

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250)
    >>> in_plane_mm(grid, (40.0, 0.0, -10.0)).tolist()
    [40.0, 10.0]
    """
    offset = np.asarray(point_mm, dtype=np.float64) - grid.origin
    return np.asarray(grid.plane_basis @ offset, dtype=np.float64)


def in_patient(grid: PixelGrid, direction: FloatArray) -> FloatArray:
    """Turn an in-plane direction, shape (2,), into a patient one, LPS, shape (3,).

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250)
    >>> in_patient(grid, np.array([0.0, 1.0])).tolist()
    [0.0, 0.0, -1.0]
    """
    return np.asarray(direction @ grid.plane_basis, dtype=np.float64)


def outward(
    points: PlanePoints, compartment: Compartment, convention: AxisConvention
) -> FloatArray:
    """Find the outward measuring direction of a compartment whose rim is placed.

    A unit vector in the slice plane, shape (2,) or (2, cases). `rim_to_rim`: along the line from
    the opposite rim. `local_tangent`: along the line from the compartment's own spine base.
    `image_vertical`: along the rows of the image, which are at right angles to its vertical.

    Raises
    ------
    LandmarkError
        If a landmark that the convention needs was not placed, or the knee is turned too far for
        the vertical of the image to mean anything.

    Examples
    --------
    >>> rims = {
    ...     (Compartment.MEDIAL, Landmark.RIM): np.array([36.0, 0.0]),
    ...     (Compartment.LATERAL, Landmark.RIM): np.array([-36.0, 0.0]),
    ... }
    >>> outward(rims, Compartment.MEDIAL, AxisConvention.RIM_TO_RIM).tolist()
    [1.0, 0.0]
    """
    if convention is AxisConvention.IMAGE_VERTICAL:
        return _along_rows(_line(points, _inner_point(points, compartment), compartment))
    inner = (
        (compartment.opposite, Landmark.RIM)
        if convention is AxisConvention.RIM_TO_RIM
        else (compartment, Landmark.SPINE_BASE)
    )
    if inner not in points:
        raise LandmarkError(
            f"The axis convention {convention} needs {name_of(*inner)}, which is not placed. Place"
            " it, or choose another axis convention."
        )
    return _line(points, inner, compartment)


def _line(points: PlanePoints, inner: Point, compartment: Compartment) -> FloatArray:
    """Take the unit vector from an inner point to the rim of a compartment."""
    rim = (compartment, Landmark.RIM)
    x, y = line = points[rim] - points[inner]
    length_mm = np.hypot(x, y)
    if not np.all(length_mm > 0):
        raise LandmarkError(
            f"{name_of(*rim)} and {name_of(*inner)} coincide, so that no direction can be taken"
            " from them. Place them apart."
        )
    return np.asarray(line / length_mm, dtype=np.float64)


def _inner_point(points: PlanePoints, compartment: Compartment) -> Point:
    """Find a point that is surely inward of the rim, to tell outward from inward."""
    inner = (compartment.opposite, Landmark.RIM), (compartment, Landmark.SPINE_BASE)
    for candidate in inner:
        if candidate in points:
            return candidate
    raise LandmarkError(
        f"Nothing shows which way is outward in the {compartment.words} compartment: place"
        f" {name_of(compartment.opposite, Landmark.RIM)} or"
        f" {name_of(compartment, Landmark.SPINE_BASE)}."
    )


def _along_rows(outward_line: FloatArray) -> FloatArray:
    steepest = float(np.min(np.abs(outward_line[0])))
    if steepest < math.cos(math.radians(MAX_IMAGE_TILT_DEG)):
        tilt_deg = math.degrees(math.acos(steepest))
        raise LandmarkError(
            f"The plateau is turned {tilt_deg:.0f} degrees against the rows of the image, more"
            f" than {MAX_IMAGE_TILT_DEG:.0f}: the vertical of the image is not that of the knee."
            f" Use the axis convention {AxisConvention.RIM_TO_RIM}."
        )
    return np.stack([np.sign(outward_line[0]), np.zeros_like(outward_line[0])])

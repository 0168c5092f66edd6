"""Tibial slope and joint space width from placed landmarks, against closed-form geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid, Vector, as_vector
from meniscal_measure.knee.joint_space import joint_space_part
from meniscal_measure.knee.named_landmarks import LandmarkSpace, SpatialLandmark
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.slope import slope_deg, slope_part
from meniscal_measure.slice_name import SliceName

SAGITTAL = PixelGrid((0, -80, 80), (0, 1, 0), (0, 0, -1), 0.4, 0.4, 400, 400)
CORONAL = PixelGrid((-80, 0, 80), (1, 0, 0), (0, 0, -1), 0.4, 0.4, 400, 400)


def placed(name: str, point: Vector, grid: PixelGrid, plane: Plane) -> SpatialLandmark:
    where = TracedSlice(plane, SliceName(5, 9, 5), "2.25.5")
    column, row = grid.to_pixel(point)
    return SpatialLandmark(
        name, point, (float(column), float(row)), 0.5, 0.0, grid, 4, where, "2.25.1"
    )


def sagittal(name: str, back: float, up: float) -> SpatialLandmark:
    return placed(name, (0.0, back, up), SAGITTAL, Plane.SAGITTAL)


PLATEAU = [
    sagittal("medial_plateau_front", -20.0, 0.0),
    sagittal("medial_plateau_back", 20.0, -40.0 * math.tan(math.radians(6.0))),
]
SHAFT = [sagittal("shaft_centre_upper", 0.0, -15.0), sagittal("shaft_centre_lower", 0.0, -60.0)]


@given(slope=st.floats(-20, 25), turn=st.floats(-60, 60), across=st.floats(-15, 15))
def test_the_slope_does_not_depend_on_how_the_knee_lies(
    slope: float, turn: float, across: float
) -> None:
    """A knee turned about the sideways axis by scipy; the shaft seen on another sagittal slice."""
    fall = 40.0 * math.tan(math.radians(slope))
    points = np.array([[0, -20, 0], [0, 20, -fall], [across, 0, -15], [across, 0, -60]])
    turned = Rotation.from_euler("x", turn, degrees=True).apply(points)
    found = slope_deg(turned, np.array([1.0, 0.0, 0.0]))
    assert float(found) == pytest.approx(slope, abs=1e-9)


def test_the_slope_has_the_uncertainty_of_its_two_lines() -> None:
    """0.5 mm each way at both ends of 40.2 mm and of 45 mm: sqrt(2) x 0.5 / length, in radians."""
    (slope,) = slope_part(LandmarkSpace([*PLATEAU, *SHAFT])).quantities
    assert slope.value == pytest.approx(6.0)
    lengths_mm = 40.0 / math.cos(math.radians(6.0)), 45.0
    expected = math.degrees(math.hypot(*(math.sqrt(2) * 0.5 / mm for mm in lengths_mm)))
    assert slope.u == pytest.approx(expected, rel=0.01)


def test_what_is_missing_for_a_slope_is_a_gap() -> None:
    part = slope_part(LandmarkSpace(PLATEAU))
    assert part.quantities == ()
    assert "shaft_centre_lower" in part.gaps[0]


def test_a_short_shaft_gives_no_axis() -> None:
    near = sagittal("shaft_centre_lower", 0.0, -25.0)
    with pytest.raises(LandmarkError, match="10 mm apart; at least 20 mm are needed"):
        slope_part(LandmarkSpace([*PLATEAU, SHAFT[0], near]))


def surface(name: str, side: float, up: float) -> SpatialLandmark:
    return placed(name, as_vector([side, 0.0, up]), CORONAL, Plane.CORONAL)


def test_the_joint_space_is_the_distance_of_its_surfaces() -> None:
    marks = [
        surface("medial_femoral_surface", 20.0, 4.0),
        surface("medial_tibial_surface", 23.0, 0),
    ]
    (width,) = joint_space_part(LandmarkSpace(marks)).quantities
    assert width.value == pytest.approx(5.0)
    assert width.u == pytest.approx(0.5 * math.sqrt(2), rel=0.02)


def test_surfaces_on_different_slices_are_refused() -> None:
    marks = [
        surface("lateral_femoral_surface", 20.0, 4.0),
        surface("lateral_tibial_surface", 20, 0),
    ]
    elsewhere = replace(marks[1].where, name=SliceName(6, 9, 6), sop_instance_uid="2.25.6")
    with pytest.raises(LandmarkError, match="placed on different slices"):
        joint_space_part(LandmarkSpace([marks[0], replace(marks[1], where=elsewhere)]))

"""Stacks of slices: where they lie and which way they face."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.geometry import orientation_letters
from meniscal_measure.workshop.knees.scanner.occupancy import profile_depths_mm
from meniscal_measure.workshop.knees.scanner.sampling import (
    StackPlan,
    StackPlane,
    pixel_points,
    stack_grids,
)

PLAN = StackPlan(StackPlane.CORONAL, 5, 40, 30, 0.5, 0.4, 3.0, 3.3, centre_mm=(2.0, -3.0, 4.0))

angles = st.floats(-40, 40)


@pytest.mark.parametrize(
    ("plane", "letters"),
    [
        (StackPlane.CORONAL, ("L", "F", "P")),
        (StackPlane.SAGITTAL, ("P", "F", "R")),
        (StackPlane.AXIAL, "LPH"),
    ],
)
def test_planes_face_as_radiologists_view_them(plane: StackPlane, letters: tuple[str, ...]) -> None:
    grid = stack_grids(replace(PLAN, plane=plane))[0]
    directions = (grid.row_direction, grid.column_direction, grid.normal)
    assert tuple(orientation_letters(direction) for direction in directions) == tuple(letters)


@given(rotation=st.tuples(angles, angles, angles))
def test_the_middle_of_the_stack_stays_in_place_however_it_is_turned(
    rotation: tuple[float, float, float],
) -> None:
    grids = stack_grids(replace(PLAN, rotation_deg=rotation))
    np.testing.assert_allclose(grids[2].centre, PLAN.centre_mm, atol=1e-9)


@given(rotation=st.tuples(angles, angles, angles))
def test_slices_follow_one_another_along_their_normal(
    rotation: tuple[float, float, float],
) -> None:
    grids = stack_grids(replace(PLAN, rotation_deg=rotation))
    steps = np.diff([grid.origin for grid in grids], axis=0)
    np.testing.assert_allclose(steps, np.tile(grids[0].normal * 3.3, (4, 1)), atol=1e-9)


def test_pixel_points_are_those_of_the_grid() -> None:
    grid = stack_grids(PLAN)[0]
    points = pixel_points(grid)
    assert points.shape == (40, 30, 3)
    np.testing.assert_allclose(points[7, 11], grid.to_patient([11, 7]))


def test_the_slice_profile_is_as_wide_as_the_slice() -> None:
    """Half of a box with soft edges lies within half its full width at half maximum."""
    depths_mm = profile_depths_mm(4.0, np.array([0.1, 0.25, 0.5, 0.75, 0.9]))
    np.testing.assert_allclose(depths_mm, [-1.6, -1.0, 0.0, 1.0, 1.6], atol=0.03)

"""Pixel and patient coordinates, checked against the standard's equation and SimpleITK."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import SimpleITK
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import (
    ORTHONORMAL_TOLERANCE,
    PixelGrid,
    as_vector,
    graphic_coordinates,
    orientation_letters,
    unit_vector,
)

simpleitk: Any = SimpleITK
"""SimpleITK carries no types."""

AGREEMENT_MM = 1e-9
"""Outside checks must agree to this: rounding of double precision, no more."""

coordinates_mm = st.floats(-300, 300)
spacings_mm = st.floats(0.05, 5)
pixels = st.tuples(st.floats(-50, 600), st.floats(-50, 600))


@st.composite
def directions(draw: st.DrawFn) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two unit vectors at a right angle, in any orientation, from a unit quaternion."""
    quaternion = draw(
        st.tuples(*[st.floats(-1, 1)] * 4).filter(lambda parts: math.hypot(*parts) > 0.1)
    )
    w, x, y, z = np.array(quaternion) / math.hypot(*quaternion)
    return (
        np.array([1 - 2 * (y * y + z * z), 2 * (x * y + w * z), 2 * (x * z - w * y)]),
        np.array([2 * (x * y - w * z), 1 - 2 * (x * x + z * z), 2 * (y * z + w * x)]),
    )


@st.composite
def grids(draw: st.DrawFn) -> PixelGrid:
    row_direction, column_direction = draw(directions())
    return PixelGrid(
        position_mm=draw(st.tuples(coordinates_mm, coordinates_mm, coordinates_mm)),
        row_cosines=as_vector(row_direction),
        column_cosines=as_vector(column_direction),
        row_spacing_mm=draw(spacings_mm),
        column_spacing_mm=draw(spacings_mm),
        rows=draw(st.integers(1, 640)),
        columns=draw(st.integers(1, 640)),
    )


def grid(**changes: Any) -> PixelGrid:
    plain: dict[str, Any] = {
        "position_mm": (-70.0, 10.0, 60.0),
        "row_cosines": (1.0, 0.0, 0.0),
        "column_cosines": (0.0, 0.0, -1.0),
        "row_spacing_mm": 0.5,
        "column_spacing_mm": 0.4,
        "rows": 320,
        "columns": 256,
    }
    return PixelGrid(**{**plain, **changes})


# --- outside checks ------------------------------------------------------------------------


@given(grids(), pixels)
def test_mapping_agrees_with_the_equation_of_the_standard(
    plane: PixelGrid, pixel: tuple[float, float]
) -> None:
    """Outside check: DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1, written out as its matrix.

    In the equation i is the column index and Delta i the column spacing, which is the second
    value of Pixel Spacing.
    """
    x, y = np.array(plane.row_cosines), np.array(plane.column_cosines)
    s = np.array(plane.position_mm)
    matrix = np.zeros((4, 4))
    matrix[:3, 0] = x * plane.column_spacing_mm
    matrix[:3, 1] = y * plane.row_spacing_mm
    matrix[:3, 3] = s
    matrix[3, 3] = 1
    column, row = pixel

    expected = (matrix @ [column, row, 0, 1])[:3]

    assert np.max(np.abs(plane.to_patient(pixel) - expected)) < AGREEMENT_MM


@given(grids(), pixels)
def test_mapping_agrees_with_simpleitk(plane: PixelGrid, pixel: tuple[float, float]) -> None:
    """Outside check: SimpleITK's TransformContinuousIndexToPhysicalPoint on the same grid."""
    image: Any = simpleitk.Image([plane.columns, plane.rows, 1], simpleitk.sitkUInt8)
    image.SetOrigin(plane.position_mm)
    image.SetSpacing([plane.column_spacing_mm, plane.row_spacing_mm, 1.0])
    axes = np.column_stack([plane.row_direction, plane.column_direction, plane.normal])
    image.SetDirection(axes.ravel().tolist())

    expected = image.TransformContinuousIndexToPhysicalPoint([*pixel, 0.0])

    assert np.max(np.abs(plane.to_patient(pixel) - expected)) < AGREEMENT_MM


@pytest.mark.parametrize(
    ("direction", "letters"),
    [([1, 0, 0], "L"), ([-1, 0, 0], "R"), ([0, 1, 0], "P"), ([0, -1, 0], "A"),
     ([0, 0, 1], "H"), ([0, 0, -1], "F"), ([-0.6, 0, -0.8], "FR"), ([0.05, -1, 0], "A")],
)  # fmt: skip
def test_orientation_letters_follow_patient_orientation(
    direction: list[float], letters: str
) -> None:
    """Outside check: DICOM PS3.3 C.7.6.1.1.1, letters of Patient Orientation in LPS."""
    assert orientation_letters(direction) == letters


def test_graphic_coordinates_put_the_first_pixel_centre_at_one_half() -> None:
    """Outside check: DICOM PS3.3 C.18.6.1.1, where the upper left corner is (0, 0)."""
    assert graphic_coordinates([[0, 0], [3, 2]]).tolist() == [[0.5, 0.5], [3.5, 2.5]]


# --- properties ----------------------------------------------------------------------------


@given(grids(), pixels)
def test_there_and_back_again(plane: PixelGrid, pixel: tuple[float, float]) -> None:
    assert np.allclose(plane.to_pixel(plane.to_patient(pixel)), pixel, atol=1e-8)


@given(grids(), pixels, st.floats(-40, 40))
def test_a_point_off_the_plane_falls_onto_the_pixel_below_it(
    plane: PixelGrid, pixel: tuple[float, float], height_mm: float
) -> None:
    point_mm = plane.to_patient(pixel) + height_mm * plane.normal

    assert float(plane.off_plane_mm(point_mm)) == pytest.approx(height_mm, abs=1e-9)
    assert np.allclose(plane.to_pixel(point_mm), pixel, atol=1e-7)


@given(grids(), pixels, pixels)
def test_lengths_come_from_the_spacings(
    plane: PixelGrid, start: tuple[float, float], end: tuple[float, float]
) -> None:
    columns, rows = np.subtract(end, start)
    expected_mm = math.hypot(columns * plane.column_spacing_mm, rows * plane.row_spacing_mm)

    length_mm = float(np.linalg.norm(plane.to_patient(end) - plane.to_patient(start)))

    assert length_mm == pytest.approx(expected_mm, abs=1e-9)


@given(grids())
def test_the_normal_is_a_unit_vector_across_both_directions(plane: PixelGrid) -> None:
    frame = np.array([plane.row_direction, plane.column_direction, plane.normal])

    assert np.allclose(frame @ frame.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(frame) == pytest.approx(1)


@given(grids())
def test_the_centre_is_as_far_from_opposite_corners(plane: PixelGrid) -> None:
    corners = plane.to_patient([[0, 0], [plane.columns - 1, plane.rows - 1]])

    assert np.allclose(corners.mean(axis=0), plane.centre, atol=1e-9)


@given(grids(), st.lists(pixels, min_size=1, max_size=5))
def test_many_points_map_as_one_by_one(
    plane: PixelGrid, several: list[tuple[float, float]]
) -> None:
    together = plane.to_patient(several)

    assert together.shape == (len(several), 3)
    assert np.array_equal(together, [plane.to_patient(pixel) for pixel in several])


@pytest.mark.parametrize(
    "inside", [[-0.5, 0], [9.5, 0], [0, -0.5], [0, 19.5], [-0.5, 19.5], [9.5, -0.5], [4, 7]]
)
def test_the_image_reaches_half_a_pixel_beyond_its_outer_centres(inside: list[float]) -> None:
    assert grid(rows=20, columns=10).contains(inside)


@pytest.mark.parametrize(
    "outside", [[-0.6, 0], [9.6, 0], [0, -0.6], [0, 19.6], [15, 5], [5, 30], [math.nan, 5]]
)
def test_beyond_that_the_image_ends_on_every_side(outside: list[float]) -> None:
    assert not grid(rows=20, columns=10).contains(outside)


@pytest.mark.parametrize(("component", "letters"), [(0.09, "A"), (0.11, "AL")])
def test_a_tenth_of_a_direction_is_too_little_for_a_letter(component: float, letters: str) -> None:
    assert orientation_letters([component, -1, 0]) == letters


def test_letters_stand_in_the_order_of_their_share() -> None:
    assert orientation_letters([0.4, -0.5, 0.6]) == "HAL"
    assert orientation_letters([-0.6, 0.4, -0.5]) == "RFP"


# --- refusals ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["row_spacing_mm", "column_spacing_mm"])
@pytest.mark.parametrize("value", [0.0, -0.5, math.nan, math.inf])
def test_a_spacing_that_is_not_positive_is_refused(name: str, value: float) -> None:
    with pytest.raises(GeometryError, match=r"PixelSpacing is .* must be positive millimetres"):
        grid(**{name: value})


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_position_that_is_not_finite_is_refused(value: float) -> None:
    with pytest.raises(GeometryError, match=r"ImagePositionPatient is .* three finite numbers"):
        grid(position_mm=(0.0, value, 0.0))


@pytest.mark.parametrize(
    ("row_cosines", "column_cosines"),
    [
        ((1.0, 0.0, 0.0), (0.1, 0.0, -0.995)),
        ((1.1, 0.0, 0.0), (0.0, 0.0, -1.0)),
        ((0.0, 0.0, 0.0), (0.0, 0.0, -1.0)),
        ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        ((math.nan, 0.0, 0.0), (0.0, 0.0, -1.0)),
        ((1.0, 0.0, 0.0), (0.0, 0.0, math.nan)),
    ],
)
def test_sheared_or_unscaled_directions_are_refused(
    row_cosines: tuple[float, ...], column_cosines: tuple[float, ...]
) -> None:
    with pytest.raises(GeometryError, match="unit vectors at a right angle"):
        grid(row_cosines=row_cosines, column_cosines=column_cosines)


@pytest.mark.parametrize("departure", [0.0009, -0.0009])
def test_cosines_may_be_wrong_by_up_to_a_thousandth(departure: float) -> None:
    longer = math.sqrt(1 + departure)
    assert grid(row_cosines=(longer, 0.0, 0.0)).row_direction.tolist() == [1, 0, 0]
    assert grid(column_cosines=(0.0, 0.0, longer)).column_direction.tolist() == [0, 0, 1]
    leaning = (departure, 0.0, -math.sqrt(1 - departure**2))
    assert grid(column_cosines=leaning).columns == 256


@pytest.mark.parametrize("departure", [0.0011, -0.0011])
def test_cosines_that_are_wrong_by_more_are_refused(departure: float) -> None:
    length = math.sqrt(1 + departure)
    leaning = (departure, 0.0, -math.sqrt(1 - departure**2))
    for changes in (
        {"row_cosines": (length, 0.0, 0.0)},
        {"column_cosines": (0.0, 0.0, length)},
        {"column_cosines": leaning},
    ):
        with pytest.raises(GeometryError, match="unit vectors at a right angle"):
            grid(**changes)


@given(directions())
def test_cosines_rounded_to_four_decimals_are_accepted(
    axes: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> None:
    row_cosines, column_cosines = (as_vector(np.round(axis, 4)) for axis in axes)

    plane = grid(row_cosines=row_cosines, column_cosines=column_cosines)

    assert abs(plane.row_direction @ plane.column_direction) < ORTHONORMAL_TOLERANCE


@pytest.mark.parametrize("vector", [[0, 0, 0], [math.nan, 0, 0], [math.inf, 0, 0]])
def test_a_direction_without_length_is_refused(vector: list[float]) -> None:
    with pytest.raises(GeometryError, match="place them apart"):
        unit_vector(vector)


def test_a_direction_of_any_length_becomes_one_of_unit_length() -> None:
    assert unit_vector([0, 1e-9, 0]).tolist() == [0, 1, 0]
    assert unit_vector([3, 0, -4]).tolist() == [0.6, 0, -0.8]


@given(lean=st.floats(-ORTHONORMAL_TOLERANCE / 2, ORTHONORMAL_TOLERANCE / 2))
def test_cosines_not_quite_at_a_right_angle_do_not_spoil_the_way_back(lean: float) -> None:
    leaning = grid(row_cosines=(1.0, 0.0, lean))
    np.testing.assert_allclose(
        leaning.to_pixel(leaning.to_patient([250, 20])), [250, 20], atol=1e-9
    )
    both = grid(row_cosines=(1.0, 0.0, lean), column_cosines=(-lean / 2, 0.0, -1.0))
    np.testing.assert_allclose(both.to_pixel(both.to_patient([3, 310])), [3, 310], atol=1e-9)

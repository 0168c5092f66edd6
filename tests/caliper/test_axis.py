"""Measuring directions, for one knee and for many drawn at once."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import PlanePoints, in_patient, in_plane_mm, outward
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid

MEDIAL, LATERAL, RIM = Compartment.MEDIAL, Compartment.LATERAL, Landmark.RIM
GRID = PixelGrid((-70, 12, 60), (0.8, 0.6, 0), (0, 0, -1), 0.5, 0.25, 300, 300)


def rims(medial: list[list[float]], lateral: list[list[float]]) -> PlanePoints:
    """Rims of several cases, each `[x, y]` mm."""
    return {(MEDIAL, RIM): np.array(medial).T, (LATERAL, RIM): np.array(lateral).T}


def test_in_plane_coordinates_are_columns_and_rows_in_millimetres() -> None:
    assert in_plane_mm(GRID, GRID.to_patient([40, 20])).tolist() == pytest.approx([10, 10])
    assert in_plane_mm(GRID, GRID.position_mm).tolist() == [0, 0]


def test_an_in_plane_direction_keeps_its_length_in_the_patient() -> None:
    assert in_patient(GRID, np.array([0.0, 1.0])).tolist() == pytest.approx([0, 0, -1])
    assert in_patient(GRID, np.array([1.0, 0.0])).tolist() == pytest.approx([0.8, 0.6, 0])


def test_many_cases_have_a_direction_each() -> None:
    points = rims([[30, 0], [30, 40]], [[-30, 0], [0, 0]])
    along = outward(points, MEDIAL, AxisConvention.RIM_TO_RIM)
    assert along.T.tolist() == pytest.approx(np.array([[1.0, 0.0], [0.6, 0.8]]))


def test_rims_less_than_a_millimetre_apart_still_have_a_direction() -> None:
    points = rims([[0.5, 0]], [[0, 0]])
    assert outward(points, MEDIAL, AxisConvention.RIM_TO_RIM).T.tolist() == [[1.0, 0.0]]


def test_one_case_without_a_direction_spoils_them_all() -> None:
    points = rims([[30, 0], [5, 5]], [[-30, 0], [5, 5]])
    with pytest.raises(LandmarkError, match="medial_rim and lateral_rim coincide"):
        outward(points, MEDIAL, AxisConvention.RIM_TO_RIM)


def test_one_case_turned_too_far_spoils_the_vertical_of_the_image_for_them_all() -> None:
    points = rims([[30, 0], [0, 30]], [[-30, 0], [0, -30]])
    with pytest.raises(LandmarkError, match="turned 90 degrees"):
        outward(points, MEDIAL, AxisConvention.IMAGE_VERTICAL)


def test_along_the_rows_outward_is_left_or_right_and_level() -> None:
    points = rims([[30, 5], [-30, 5]], [[-30, 0], [30, 0]])
    along = outward(points, MEDIAL, AxisConvention.IMAGE_VERTICAL)
    assert along.T.tolist() == [[1.0, 0.0], [-1.0, 0.0]]

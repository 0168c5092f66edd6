from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import SimpleITK
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.report.marks import Marks, compartment_marks, plane_extent_mm, plane_mm
from meniscal_measure.report.view import detail_view, joint_view
from tests.handmade_readings import MakeCase

extrusions = st.floats(-2, 9)
spacings = st.floats(0.2, 1.2)


def medial_marks(make_case: MakeCase, **changes: object) -> tuple[Marks, PixelGrid]:
    reading, images = make_case(**changes)
    grid = images.grids[reading.measured.slice_index]
    return compartment_marks(reading.measured.compartments[Compartment.MEDIAL], grid), grid


def cross(a: np.ndarray, b: np.ndarray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


@given(extrusion=extrusions, row=spacings, column=spacings, tilt=st.floats(-20, 20))
def test_the_caliper_is_as_long_as_the_extrusion_and_starts_on_the_rim_line(
    make_case: MakeCase, extrusion: float, row: float, column: float, tilt: float
) -> None:
    marks, _ = medial_marks(
        make_case, right_mm=extrusion, row_spacing_mm=row, column_spacing_mm=column, tilt_deg=tilt
    )
    start, end = marks.caliper
    assert float((end - start) @ marks.axis) == pytest.approx(extrusion, abs=1e-9)
    along = marks.rim_line[1] - marks.rim_line[0]
    assert cross(start - marks.rim_line[0], along) == pytest.approx(0, abs=1e-8)
    assert end == pytest.approx(marks.points[Landmark.OUTER_EDGE])


@given(extrusion=extrusions, tilt=st.floats(-20, 20))
def test_rim_line_and_outer_line_stand_on_the_measuring_axis(
    make_case: MakeCase, extrusion: float, tilt: float
) -> None:
    marks, _ = medial_marks(make_case, right_mm=extrusion, tilt_deg=tilt)
    for line, landmark in (
        (marks.rim_line, Landmark.RIM),
        (marks.outer_line, Landmark.OUTER_EDGE),
    ):
        assert float((line[1] - line[0]) @ marks.axis) == pytest.approx(0, abs=1e-9)
        assert cross(marks.points[landmark] - line[0], line[1] - line[0]) == pytest.approx(
            0, abs=1e-8
        )
        assert line[1][1] < line[0][1], "drawn upwards, so that the flag marker is above"


@given(extrusion=st.floats(0.5, 9), row=spacings, column=spacings)
def test_the_drawn_caliper_measures_the_same_in_simpleitk(
    make_case: MakeCase, extrusion: float, row: float, column: float
) -> None:
    """Outside check: SimpleITK maps the pixel ends of the caliper to patient space."""
    cosines = (0.96, 0.28, 0.0), (0.0, 0.0, -1.0)
    marks, grid = medial_marks(
        make_case,
        right_mm=extrusion,
        row_spacing_mm=row,
        column_spacing_mm=column,
        row_cosines=cosines[0],
        column_cosines=cosines[1],
    )
    toolkit: Any = SimpleITK  # comes without type hints
    image = toolkit.Image(grid.columns, grid.rows, 1, toolkit.sitkUInt8)
    image.SetSpacing((grid.column_spacing_mm, grid.row_spacing_mm, 1.0))
    image.SetOrigin(grid.position_mm)
    image.SetDirection(np.stack([*cosines, grid.normal], axis=1).ravel().tolist())
    ends = [
        np.array(
            image.TransformContinuousIndexToPhysicalPoint(
                (float(x / grid.column_spacing_mm), float(y / grid.row_spacing_mm), 0.0)
            )
        )
        for x, y in marks.caliper
    ]
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(extrusion, abs=1e-9)


def test_plane_coordinates_are_pixels_times_spacing(make_case: MakeCase) -> None:
    _, images = make_case()
    grid = images.grids[0]
    point = grid.to_patient([30, 50])
    assert plane_mm(grid, point) == pytest.approx([30 * 0.7, 50 * 0.4])
    assert plane_extent_mm(grid) == pytest.approx((-0.35, 111.65, 95.8, -0.2))


@pytest.mark.parametrize(("side", "left"), [(Side.RIGHT, False), (Side.LEFT, True)])
def test_the_medial_compartment_is_found_on_its_side_of_the_image(
    make_case: MakeCase, side: Side, left: bool
) -> None:
    marks, _ = medial_marks(make_case, side=side)
    assert marks.on_image_left is left


@given(extrusion=extrusions, ratio=st.floats(0.4, 1.2))
def test_the_joint_view_shows_every_landmark_in_the_shape_of_its_frame(
    make_case: MakeCase, extrusion: float, ratio: float
) -> None:
    reading, images = make_case(right_mm=extrusion)
    grid = images.grids[reading.measured.slice_index]
    marks = [compartment_marks(part, grid) for part in reading.measured.compartments.values()]
    view = joint_view(marks, grid, ratio=ratio)
    assert (view.bottom_mm - view.top_mm) / view.width_mm == pytest.approx(ratio)
    for x, y in (point for mark in marks for point in mark.points.values()):
        assert view.left_mm < x < view.right_mm
        assert view.top_mm < y < view.bottom_mm


def test_a_knee_with_one_compartment_measured_is_still_shown_whole(make_case: MakeCase) -> None:
    marks, grid = medial_marks(make_case, left_mm=None)
    view = joint_view([marks], grid, ratio=0.8)
    assert view.left_mm < 20.0 < 92.0 < view.right_mm


def test_without_marks_the_middle_of_the_image_is_shown(make_case: MakeCase) -> None:
    grid = make_case()[1].grids[0]
    view = joint_view([], grid, ratio=0.8)
    assert (view.left_mm + view.right_mm) / 2 == pytest.approx(grid.columns * 0.7 / 2 - 0.35)


@given(extrusion=st.floats(-3, 14), tilt=st.floats(-20, 20), ratio=st.floats(0.3, 1.0))
def test_the_detail_shows_the_body_and_its_lines_whole(
    make_case: MakeCase, extrusion: float, tilt: float, ratio: float
) -> None:
    marks, _ = medial_marks(make_case, right_mm=extrusion, tilt_deg=tilt)
    view = detail_view(marks, ratio=ratio)
    body = [marks.points[name] for name in (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)]
    for x, y in np.vstack([marks.rim_line, marks.outer_line, *body]):
        assert view.left_mm < x < view.right_mm
        assert view.top_mm < y < view.bottom_mm
    assert view.width_mm < 75, "still enlarged, though the spine base is far away"

"""Extrusion and its companions: definitions, identities, invariances, uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import Point
from meniscal_measure.caliper.budget import SCALE_U
from meniscal_measure.caliper.landmarks import (
    SliceLandmarks,
)
from meniscal_measure.caliper.reading import AxisConvention, Conventions, SliceReading
from meniscal_measure.geometry import PixelGrid, as_vector

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
Points = dict[Point, tuple[float, float]]
Measure = Callable[..., SliceReading]


@pytest.fixture(scope="session")
def measured(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    measure_slice: Measure,
) -> Measure:
    """Measure points given in mm from the centre of a coronal slice."""

    def build(
        points: Points,
        axis: AxisConvention = AxisConvention.RIM_TO_RIM,
        *,
        grid: PixelGrid | None = None,
        sd_mm: float = 0.2,
    ) -> SliceReading:
        grid = grid or coronal_grid()
        landmarks = place(grid, points, sd_mm=sd_mm)
        return measure_slice(landmarks, grid, Conventions(axis=axis))

    return build


def value(reading: SliceReading, name: str, compartment: Compartment = MEDIAL) -> float:
    return float(getattr(reading.compartments[compartment], name).value)


def extrusion_mm(reading: SliceReading, compartment: Compartment = MEDIAL) -> float:
    return reading.compartments[compartment].extrusion.extrusion_mm


# Definitions


def test_extrusion_is_the_distance_outward_from_rim_to_outer_edge(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points(medial_mm=3.4, lateral_mm=-0.7))
    assert extrusion_mm(reading, MEDIAL) == pytest.approx(3.4)
    assert extrusion_mm(reading, LATERAL) == pytest.approx(-0.7)
    assert reading.plateau_width_mm is not None
    assert reading.plateau_width_mm.value == pytest.approx(72.0)


def test_companion_measures_of_a_known_knee(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points(medial_mm=3.3))
    assert value(reading, "body_width_mm") == pytest.approx(11.0)
    assert value(reading, "overlap_mm") == pytest.approx(7.7)
    assert value(reading, "relative_extrusion") == pytest.approx(0.3)
    assert value(reading, "coverage") == pytest.approx(7.7 / 36)
    assert value(reading, "extrusion_over_plateau_width") == pytest.approx(3.3 / 72)


def test_coverage_names_the_width_it_is_taken_over(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points(medial_mm=1.64)
    assert measured(points).compartments[MEDIAL].coverage_width == "half_plateau"
    points[MEDIAL, Landmark.SPINE_BASE] = (36.0 - 29.4, -1.0)
    reading = measured(points)
    assert reading.compartments[MEDIAL].coverage_width == "rim_to_spine_base"
    assert value(reading, "coverage") == pytest.approx((11.0 - 1.64) / 29.4)


def test_mean_healthy_knee_keeps_the_published_identities(measured: Measure) -> None:
    # Bruns 2014, medial means of 118 healthy subjects: extrusion 1.64 mm, overlap 10.1 mm,
    # coverage 34.4 %, so a body of 11.74 mm on a plateau of 29.4 mm.
    points: Points = {
        (MEDIAL, Landmark.RIM): (36.0, 0.0),
        (MEDIAL, Landmark.OUTER_EDGE): (36.0 + 1.64, -4.0),
        (MEDIAL, Landmark.FREE_EDGE): (36.0 - 10.1, -2.0),
        (MEDIAL, Landmark.SPINE_BASE): (36.0 - 29.4, 0.0),
        (LATERAL, Landmark.RIM): (-36.0, 0.0),
    }
    reading = measured(points)
    assert value(reading, "body_width_mm") == pytest.approx(11.74)
    assert value(reading, "overlap_mm") == pytest.approx(10.1)
    assert value(reading, "coverage") == pytest.approx(0.344, abs=0.0005)


@given(extrusion=st.floats(-4.9, 10.5), tilt_deg=st.floats(-20, 20))
def test_body_width_is_overlap_plus_what_reaches_over_the_rim(
    measured: Measure, knee_points: Callable[..., Points], extrusion: float, tilt_deg: float
) -> None:
    reading = measured(knee_points(medial_mm=extrusion, tilt_deg=tilt_deg))
    overhang_mm = max(extrusion_mm(reading), 0.0)
    assert value(reading, "body_width_mm") == pytest.approx(
        value(reading, "overlap_mm") + overhang_mm
    )


def test_body_wholly_outside_covers_nothing(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points(medial_mm=13.0))
    assert value(reading, "overlap_mm") == 0.0
    assert value(reading, "coverage") == 0.0
    assert value(reading, "relative_extrusion") == pytest.approx(13 / 11)


def test_measures_without_their_landmarks_are_none(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    del points[MEDIAL, Landmark.FREE_EDGE]
    medial = measured(points).compartments[MEDIAL]
    assert medial.body_width_mm is None
    assert medial.coverage is None
    assert medial.extrusion_over_plateau_width is not None


def test_compartment_without_outer_edge_is_not_measured(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    del points[LATERAL, Landmark.OUTER_EDGE]
    assert set(measured(points).compartments) == {MEDIAL}


# Axis conventions


@pytest.mark.parametrize("compartment", [MEDIAL, LATERAL])
def test_a_compartment_alone_is_measured_along_the_image_without_a_plateau_width(
    measured: Measure, knee_points: Callable[..., Points], compartment: Compartment
) -> None:
    points = {point: place for point, place in knee_points().items() if point[0] is compartment}
    points[compartment, Landmark.SPINE_BASE] = (5.0 if compartment is MEDIAL else -5.0, 0.0)
    reading = measured(points, AxisConvention.IMAGE_VERTICAL)
    assert set(reading.compartments) == {compartment}
    assert reading.plateau_width_mm is None
    both = measured(knee_points(), AxisConvention.IMAGE_VERTICAL)
    assert extrusion_mm(reading, compartment) == pytest.approx(extrusion_mm(both, compartment))


@pytest.mark.parametrize(
    ("tilt_deg", "across_image_mm"),
    # A 4.00 mm extrusion along the line through the rims, projected on the rows of the image.
    [(5.0, 3.985), (10.0, 3.939)],
)
def test_image_vertical_differs_by_the_cosine_of_the_tilt(
    measured: Measure,
    knee_points: Callable[..., Points],
    tilt_deg: float,
    across_image_mm: float,
) -> None:
    points = knee_points(medial_mm=4.0, edge_height_mm=0.0, tilt_deg=tilt_deg)
    assert extrusion_mm(measured(points)) == pytest.approx(4.0)
    by_image = measured(points, AxisConvention.IMAGE_VERTICAL)
    assert extrusion_mm(by_image) == pytest.approx(across_image_mm, abs=0.0005)


def test_local_tangent_follows_the_compartments_own_plateau(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points(medial_mm=2.0, edge_height_mm=4.0)
    points[MEDIAL, Landmark.SPINE_BASE] = (6.0, -3.0)  # the plateau falls outward
    del points[LATERAL, Landmark.OUTER_EDGE]
    reading = measured(points, AxisConvention.LOCAL_TANGENT)
    expected_mm = (2.0 * 30 - 4.0 * 3) / math.hypot(30, 3)
    assert extrusion_mm(reading) == pytest.approx(expected_mm)


def test_axis_of_a_reading_points_outward_in_patient_space(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points())
    assert reading.compartments[MEDIAL].axis == pytest.approx((1, 0, 0))
    assert reading.compartments[LATERAL].axis == pytest.approx((-1, 0, 0))


# Invariances

ROTATIONS = st.tuples(*[st.floats(-25, 25)] * 3)  # a plateau turned further is refused
SPACINGS = st.tuples(*[st.floats(0.2, 1.2)] * 2)


def same_numbers(one: SliceReading, other: SliceReading) -> bool:
    return all(
        one.compartments[compartment].extrusion.extrusion_mm
        == pytest.approx(other.compartments[compartment].extrusion.extrusion_mm, abs=1e-9)
        and one.compartments[compartment].extrusion.u_mm
        == pytest.approx(other.compartments[compartment].extrusion.u_mm, abs=1e-9)
        and value(one, "coverage", compartment)
        == pytest.approx(value(other, "coverage", compartment), abs=1e-9)
        for compartment in (MEDIAL, LATERAL)
    )


@given(rotation_deg=ROTATIONS, spacing_mm=SPACINGS)
@pytest.mark.parametrize("axis", [AxisConvention.RIM_TO_RIM, AxisConvention.IMAGE_VERTICAL])
def test_numbers_do_not_depend_on_patient_frame_or_pixel_shape(
    measured: Measure,
    knee_points: Callable[..., Points],
    coronal_grid: Callable[..., PixelGrid],
    axis: AxisConvention,
    rotation_deg: tuple[float, float, float],
    spacing_mm: tuple[float, float],
) -> None:
    points = knee_points(3.2, -0.4, tilt_deg=4.0)
    turned = coronal_grid(spacing_mm, rotation_deg)
    assert same_numbers(measured(points, axis, grid=turned), measured(points, axis))


@given(medial_mm=st.floats(-3, 9), tilt_deg=st.floats(-15, 15))
def test_a_mirrored_knee_gives_the_same_numbers(
    measured: Measure, knee_points: Callable[..., Points], medial_mm: float, tilt_deg: float
) -> None:
    points = knee_points(medial_mm, tilt_deg=tilt_deg)
    mirrored = {name: (-x, y) for name, (x, y) in points.items()}
    assert same_numbers(measured(points), measured(mirrored))


@pytest.mark.parametrize(
    ("flip_columns", "flip_rows"), [(True, False), (False, True), (True, True)]
)
def test_a_flipped_image_gives_the_same_numbers(
    place: Callable[..., SliceLandmarks],
    measure_slice: Measure,
    coronal_grid: Callable[..., PixelGrid],
    knee_points: Callable[..., Points],
    *,
    flip_columns: bool,
    flip_rows: bool,
) -> None:
    grid = coronal_grid((0.5, 0.4))
    landmarks = place(grid, knee_points(tilt_deg=3.0))
    last_pixel = [grid.columns - 1 if flip_columns else 0, grid.rows - 1 if flip_rows else 0]
    flipped = replace(
        grid,
        position_mm=as_vector(grid.to_patient(last_pixel)),
        row_cosines=as_vector(grid.row_direction * (-1 if flip_columns else 1)),
        column_cosines=as_vector(grid.column_direction * (-1 if flip_rows else 1)),
    )
    one, other = (measure_slice(landmarks, item) for item in (grid, flipped))
    assert same_numbers(one, other)
    assert one.compartments[MEDIAL].axis == pytest.approx(other.compartments[MEDIAL].axis)


# Uncertainty


def test_budget_of_a_level_knee(measured: Measure, knee_points: Callable[..., Points]) -> None:
    reading = measured(knee_points(medial_mm=3.0, edge_height_mm=4.0), sd_mm=0.2)
    extrusion = reading.compartments[MEDIAL].extrusion
    budget = {part.source: part.u_mm for part in extrusion.budget}
    assert budget == pytest.approx(
        {
            "rim placement": 0.2,
            "outer edge placement": 0.2,
            # angle of the axis, sqrt(2) x 0.2 mm over 72 mm, on a lever of 4 mm
            "axis direction": math.sqrt(2) * 0.2 / 72 * 4.0,
            # 2 mm in 190 mm, rectangular
            "pixel spacing": 3.0 * 2 / 190 / math.sqrt(3),
        },
        rel=1e-3,
    )
    assert extrusion.u_mm == pytest.approx(math.hypot(*budget.values()))
    assert extrusion.interval95_mm == pytest.approx(
        (3.0 - 1.96 * extrusion.u_mm, 3.0 + 1.96 * extrusion.u_mm), abs=1e-4
    )


def test_image_vertical_has_no_uncertainty_of_direction(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points(), AxisConvention.IMAGE_VERTICAL)
    budget = {part.source: part.u_mm for part in reading.compartments[MEDIAL].extrusion.budget}
    assert budget["axis direction"] == pytest.approx(0.0, abs=1e-12)


def test_fractions_are_free_of_the_uncertainty_of_scale(
    measured: Measure, knee_points: Callable[..., Points]
) -> None:
    reading = measured(knee_points(), sd_mm=0.0)
    relative = reading.compartments[MEDIAL].relative_extrusion
    assert relative is not None
    assert relative.u == pytest.approx(0.0, abs=1e-12)
    assert reading.plateau_width_mm is not None
    assert reading.plateau_width_mm.u == pytest.approx(72.0 * SCALE_U)


@pytest.mark.parametrize("axis", list(AxisConvention))
def test_first_order_agrees_with_monte_carlo(
    measured: Measure, knee_points: Callable[..., Points], axis: AxisConvention
) -> None:
    # Propagation of distributions, JCGM 101:2008, with 4000 draws: u is known to 1.1 %.
    generator = np.random.default_rng(20261125)
    points = knee_points(3.0, tilt_deg=3.0)
    points[MEDIAL, Landmark.SPINE_BASE] = (8.0, 1.0)
    del points[LATERAL, Landmark.OUTER_EDGE]
    names = ("body_width_mm", "relative_extrusion", "coverage", "extrusion_over_plateau_width")
    reference = measured(points, axis, sd_mm=0.3)
    draws = []
    for _ in range(4000):
        scale = 1 + generator.uniform(-1, 1) * 2 / 190
        moved = {
            name: (scale * (x + generator.normal(0, 0.3)), scale * (y + generator.normal(0, 0.3)))
            for name, (x, y) in points.items()
        }
        drawn = measured_values(moved, axis)
        draws.append(drawn)
    spread = np.std(draws, axis=0)
    stated = [reference.compartments[MEDIAL].extrusion.u_mm] + [
        getattr(reference.compartments[MEDIAL], name).u for name in names
    ]
    assert stated == pytest.approx(spread.tolist(), rel=0.05)


def measured_values(points: Points, axis: AxisConvention) -> list[float]:
    """The measures of the medial compartment by hand, apart from the code under test."""
    rim, edge, tip, base = (
        np.array(points[MEDIAL, landmark])
        for landmark in (
            Landmark.RIM,
            Landmark.OUTER_EDGE,
            Landmark.FREE_EDGE,
            Landmark.SPINE_BASE,
        )
    )
    opposite = np.array(points[LATERAL, Landmark.RIM])
    line = {
        AxisConvention.RIM_TO_RIM: rim - opposite,
        AxisConvention.LOCAL_TANGENT: rim - base,
        AxisConvention.IMAGE_VERTICAL: np.array([1.0, 0.0]),
    }[axis]
    unit = line / np.hypot(*line)
    extrusion, width = float((edge - rim) @ unit), float((edge - tip) @ unit)
    plateau = float(np.hypot(*(rim - opposite)))
    coverage = (width - extrusion) / float((rim - base) @ unit)
    return [extrusion, width, extrusion / width, coverage, extrusion / plateau]

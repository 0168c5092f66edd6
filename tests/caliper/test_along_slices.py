"""What the choice of the slice adds: slopes to the nearest neighbours, and its spacing."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.along_slices import choice_among, position_sd_mm
from meniscal_measure.caliper.axis import outward
from meniscal_measure.caliper.budget import Geometry, SliceChoice, propagated
from meniscal_measure.caliper.definitions import Measure
from meniscal_measure.caliper.landmarks import PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.reading import AxisConvention

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
EXTRUSION = (MEDIAL, Measure.EXTRUSION)
POSITIONS_MM = (0.0, 3.0, 6.0, 10.0, 13.0)


def slice_of(extrusion_mm: float) -> Geometry:
    """A level slice with this medial extrusion."""
    points = {
        (MEDIAL, Landmark.RIM): np.array([36.0, 0.0]),
        (MEDIAL, Landmark.OUTER_EDGE): np.array([36.0 + extrusion_mm, -4.0]),
        (LATERAL, Landmark.RIM): np.array([-36.0, 0.0]),
    }
    convention = AxisConvention.RIM_TO_RIM
    return Geometry(points, {MEDIAL: outward(points, MEDIAL, convention)}, convention)


def slope(extrusions_mm: dict[int, float], positions_mm: Sequence[float] = POSITIONS_MM) -> float:
    """Slope of extrusion along the slices, at slice 2."""
    geometries = {index: slice_of(value) for index, value in extrusions_mm.items()}
    choice = choice_among(geometries, 2, positions_mm)
    assert choice is not None
    return choice.slopes[EXTRUSION]


def test_on_a_straight_run_the_slope_is_that_of_the_run() -> None:
    assert slope({1: 2.4, 2: 3.0, 3: 3.8}) == pytest.approx(0.2)


def test_one_neighbour_is_enough() -> None:
    assert slope({2: 3.0, 1: 2.1}) == pytest.approx(0.3)
    assert slope({2: 3.0, 3: 2.2}) == pytest.approx(0.2)


@pytest.mark.parametrize("far", [{0: 20.0}, {4: 20.0}, {0: 20.0, 4: -20.0}])
def test_slices_behind_the_nearest_do_not_count(far: dict[int, float]) -> None:
    near = {1: 2.4, 2: 3.0, 3: 3.8}
    assert slope({**near, **far}) == slope(near)


def test_a_gap_on_one_side_is_bridged_to_the_nearest_measured_slice() -> None:
    assert slope({2: 3.0, 0: 1.8, 4: 4.4}) == pytest.approx(0.2)


def test_two_sides_count_by_the_root_mean_square_of_their_slopes() -> None:
    assert slope({1: 2.1, 2: 3.0, 3: 3.4}) == pytest.approx(math.sqrt((0.3**2 + 0.1**2) / 2))


def test_the_direction_in_which_slices_are_counted_does_not_matter() -> None:
    backwards = [-position for position in POSITIONS_MM]
    assert slope({1: 2.4, 2: 3.0, 3: 3.8}, backwards) == pytest.approx(0.2)


def test_without_a_neighbour_there_is_no_slope() -> None:
    assert choice_among({2: slice_of(3.0)}, 2, POSITIONS_MM) is None


def test_a_measure_that_only_a_neighbour_has_gets_no_slope() -> None:
    alone = slice_of(3.0)
    points = {name: xy for name, xy in alone.points.items() if name[0] is MEDIAL}
    points[MEDIAL, Landmark.SPINE_BASE] = np.array([5.0, 0.0])
    convention = AxisConvention.LOCAL_TANGENT
    here = Geometry(points, {MEDIAL: outward(points, MEDIAL, convention)}, convention)
    full = Geometry({**points, **slice_of(2.0).points}, here.axes, convention)
    choice = choice_among({2: here, 3: full}, 2, POSITIONS_MM)
    assert choice is not None
    assert (None, Measure.PLATEAU_WIDTH) not in choice.slopes
    assert EXTRUSION in choice.slopes


def test_a_measure_without_a_slope_gets_nothing_from_the_choice_of_the_slice() -> None:
    here = slice_of(3.0)
    placed = SliceLandmarks(
        2,
        {MEDIAL: dict.fromkeys((Landmark.RIM, Landmark.OUTER_EDGE), PlacedLandmark((0, 0, 0), 0.2)),
         LATERAL: {Landmark.RIM: PlacedLandmark((0, 0, 0), 0.2)}},
    )  # fmt: skip
    width = (None, Measure.PLATEAU_WIDTH)
    sloped = propagated(here, placed, SliceChoice(1.0, {EXTRUSION: 0.3}))
    plain = propagated(here, placed, None)
    assert sloped[width].u == pytest.approx(plain[width].u)
    assert sloped[EXTRUSION].u == pytest.approx(math.hypot(plain[EXTRUSION].u, 0.3))


def test_the_place_of_a_slice_is_known_to_its_spacing_over_the_root_of_twelve() -> None:
    """Rectangular distribution: JCGM 100:2008 4.3.7."""
    assert position_sd_mm(1, POSITIONS_MM) == pytest.approx(3.0 / math.sqrt(12))
    assert position_sd_mm(2, POSITIONS_MM) == pytest.approx(3.5 / math.sqrt(12))


def test_at_either_end_of_the_stack_the_one_gap_there_is_counts() -> None:
    uneven = (0.0, 2.0, 6.0, 11.0)
    assert position_sd_mm(0, uneven) == pytest.approx(2.0 / math.sqrt(12))
    assert position_sd_mm(3, uneven) == pytest.approx(5.0 / math.sqrt(12))
    assert position_sd_mm(3, [-position for position in uneven]) > 0

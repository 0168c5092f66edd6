"""A measured slice among its neighbours, and the names of its compartments."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import Point
from meniscal_measure.caliper.landmarks import (
    ImagePlane,
    LandmarkSet,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.caliper.measure import measure_set
from meniscal_measure.caliper.reading import Decision, SliceReading
from meniscal_measure.errors import LandmarkError, SideError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid
from tests.handmade_landmarks import Plane

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
Points = dict[Point, tuple[float, float]]


@pytest.fixture(scope="session")
def stack(
    coronal_grid: Callable[..., PixelGrid], plane: Callable[[PixelGrid, str], ImagePlane]
) -> list[ImagePlane]:
    return [plane(coronal_grid(depth_mm=3.5 * index), f"1.2.{index}") for index in range(5)]


@pytest.fixture(scope="session")
def landmark_set(
    stack: list[ImagePlane], place: Callable[..., SliceLandmarks]
) -> Callable[[dict[int, Points]], LandmarkSet]:
    """Landmarks on the slices of the stack, the first one listed being the measured one."""

    def build(slices: dict[int, Points]) -> LandmarkSet:
        placed = [place(stack[index].grid, points, index=index) for index, points in slices.items()]
        return LandmarkSet(placed[0], tuple(placed[1:]), SliceConvention.CHOSEN_BY_READER, "test")

    return build


SetOf = Callable[[dict[int, Points]], LandmarkSet]


def slice_choice_mm(reading: SliceReading) -> float | None:
    budget = {part.source: part.u_mm for part in reading.compartments[MEDIAL].extrusion.budget}
    return budget.get("slice choice")


def test_slope_along_the_slices_enters_the_uncertainty(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    slices = {index: knee_points(mm) for index, mm in ((2, 2.7), (1, 2.0), (3, 3.4))}
    result = measure_set(landmark_set(slices), stack, side=Side.RIGHT)
    assert slice_choice_mm(result.measured) == pytest.approx(0.7 / math.sqrt(12))
    assert [item.slice_index for item in result.neighbours] == [1, 3]
    assert slice_choice_mm(result.neighbours[0]) is None
    assert result.warnings == ()


def test_the_readings_of_the_neighbours_can_be_left_out_and_their_slope_still_counts(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    slices = {index: knee_points(mm) for index, mm in ((2, 2.7), (1, 2.0), (3, 3.4))}
    both = measure_set(landmark_set(slices), stack, side=Side.RIGHT)
    alone = measure_set(landmark_set(slices), stack, side=Side.RIGHT, measure_neighbours=False)
    assert alone.neighbours == ()
    assert alone.measured == both.measured


@pytest.mark.parametrize("index", [5, -1])
def test_a_slice_that_the_stack_does_not_have_is_refused(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points], index: int
) -> None:
    placed = landmark_set({2: knee_points()})
    elsewhere = replace(placed, measured=replace(placed.measured, slice_index=index))
    with pytest.raises(LandmarkError, match=f"given for slice {index}, .* slices 0 to 4"):
        measure_set(elsewhere, stack, side=Side.RIGHT)


def test_a_slice_given_twice_is_refused(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    placed = landmark_set({2: knee_points()})
    with pytest.raises(LandmarkError, match="Slice 2 is given twice"):
        measure_set(replace(placed, neighbours=(placed.measured,)), stack, side=Side.RIGHT)


def test_the_choice_of_the_slice_adds_a_line_of_its_own_and_changes_no_other(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    alone = measure_set(landmark_set({2: knee_points(2.7)}), stack, side=Side.RIGHT)
    slices = {index: knee_points(mm) for index, mm in ((2, 2.7), (1, 2.0), (3, 3.4))}
    among = measure_set(landmark_set(slices), stack, side=Side.RIGHT)
    before, after = (
        {part.source: part.u_mm for part in item.measured.compartments[MEDIAL].extrusion.budget}
        for item in (alone, among)
    )
    values = [item.measured.compartments[MEDIAL].extrusion.extrusion_mm for item in (alone, among)]
    assert values == pytest.approx([2.7, 2.7])
    assert after.pop("slice choice") == pytest.approx(0.7 / math.sqrt(12))
    assert after == pytest.approx(before)


def test_a_tilted_knee_has_the_budget_of_a_level_one(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    level, tilted = (
        measure_set(landmark_set({2: knee_points(2.7, tilt_deg=tilt)}), stack, side=Side.RIGHT)
        for tilt in (0.0, 20.0)
    )
    budgets = [
        [part.u_mm for part in item.measured.compartments[MEDIAL].extrusion.budget]
        for item in (level, tilted)
    ]
    assert budgets[1] == pytest.approx(budgets[0])


def test_at_a_maximum_the_neighbours_still_count(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    slices = {index: knee_points(mm) for index, mm in ((2, 3.4), (1, 2.7), (3, 2.7))}
    result = measure_set(landmark_set(slices), stack, side=Side.RIGHT)
    assert slice_choice_mm(result.measured) == pytest.approx(0.7 / math.sqrt(12))


def test_only_the_nearest_neighbours_make_the_slope(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    slices = {index: knee_points(mm) for index, mm in ((2, 2.0), (1, 2.0), (3, 2.0), (0, 9.0))}
    result = measure_set(landmark_set(slices), stack, side=Side.RIGHT)
    assert slice_choice_mm(result.measured) == pytest.approx(0.0, abs=1e-9)


def test_without_neighbours_the_reader_is_warned(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    result = measure_set(landmark_set({2: knee_points()}), stack, side=Side.RIGHT)
    assert slice_choice_mm(result.measured) is None
    assert result.warnings == (Finding(Code.NO_NEIGHBOUR),)


def test_a_compartment_that_no_neighbour_shows_is_warned_of(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    beside = knee_points()
    del beside[LATERAL, Landmark.OUTER_EDGE]
    del beside[LATERAL, Landmark.FREE_EDGE]
    result = measure_set(landmark_set({2: knee_points(), 3: beside}), stack, side=Side.RIGHT)
    (warning,) = result.warnings
    assert warning == Finding(Code.NO_NEIGHBOUR_OF_COMPARTMENT, {"compartment": "lateral"})


def test_slice_is_described_by_its_own_place(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    result = measure_set(landmark_set({3: knee_points()}), stack, side=Side.RIGHT)
    assert result.measured.sop_instance_uid == "1.2.3"
    assert result.measured.position_mm == pytest.approx(10.5)
    assert result.measured.centre_mm == pytest.approx(tuple(stack[3].grid.centre))


def test_a_frame_is_numbered_from_1(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    frames = [
        Plane(one.sop_instance_uid, one.grid, instance_number=7, frame_index=index)
        for index, one in enumerate(stack)
    ]
    measured = measure_set(landmark_set({3: knee_points()}), frames, side=Side.RIGHT).measured
    assert (measured.instance_number, measured.frame_number) == (7, 4)


def test_landmarks_of_a_compartment_that_was_not_measured_are_kept(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    del points[LATERAL, Landmark.OUTER_EDGE]
    placed = landmark_set({2: points})
    measured = measure_set(placed, stack, side=Side.RIGHT).measured
    assert set(measured.compartments) == {MEDIAL}
    assert measured.unmeasured is not None
    assert measured.unmeasured.compartment is LATERAL
    assert measured.landmarks == placed.measured.points
    whole = measure_set(landmark_set({2: knee_points()}), stack, side=Side.RIGHT).measured
    assert whole.unmeasured is None
    assert set(whole.landmarks) == {MEDIAL, LATERAL}


def test_wide_uncertainty_leaves_a_value_near_the_threshold_undecided(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    result = measure_set(landmark_set({2: knee_points(3.2)}), stack, side=Side.RIGHT)
    extrusion = result.measured.compartments[MEDIAL].extrusion
    assert extrusion.flag
    assert extrusion.decision is Decision.UNDECIDED


# Sides


def test_unknown_side_is_warned_of(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    result = measure_set(landmark_set({2: knee_points()}), stack)
    assert Finding(Code.SIDE_UNKNOWN) in result.warnings


def test_medial_and_lateral_exchanged_are_refused(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    with pytest.raises(SideError, match="Exchange medial and lateral"):
        measure_set(landmark_set({2: knee_points()}), stack, side=Side.LEFT)


@pytest.mark.parametrize(("side", "image_right"), [(Side.RIGHT, MEDIAL), (Side.LEFT, LATERAL)])
def test_image_sides_get_their_anatomical_names_once_the_side_is_known(
    stack: list[ImagePlane],
    landmark_set: SetOf,
    knee_points: Callable[..., Points],
    side: Side,
    image_right: Compartment,
) -> None:
    names = {MEDIAL: Compartment.IMAGE_RIGHT, LATERAL: Compartment.IMAGE_LEFT}
    points = {(names[c], landmark): xy for (c, landmark), xy in knee_points(2.5).items()}
    unnamed = measure_set(landmark_set({2: points}), stack)
    assert set(unnamed.measured.compartments) == set(names.values())
    named = measure_set(landmark_set({2: points}), stack, side=side)
    extrusion = named.measured.compartments[image_right].extrusion
    assert extrusion.extrusion_mm == pytest.approx(2.5)


@pytest.mark.parametrize("compartment", [MEDIAL, LATERAL])
def test_one_compartment_on_the_wrong_side_is_refused(
    stack: list[ImagePlane],
    landmark_set: SetOf,
    knee_points: Callable[..., Points],
    compartment: Compartment,
) -> None:
    points = {name: xy for name, xy in knee_points().items() if name[0] is compartment}
    with pytest.raises(SideError, match=f"the {compartment} compartment lies towards"):
        measure_set(landmark_set({2: points}), stack, side=Side.LEFT)


@pytest.mark.parametrize("neighbour", [1, 3])
def test_what_is_refused_on_the_measured_slice_is_on_its_neighbours(
    stack: list[ImagePlane],
    landmark_set: SetOf,
    knee_points: Callable[..., Points],
    neighbour: int,
) -> None:
    """Their numbers enter its uncertainty."""
    right = knee_points()
    exchanged = {(name.opposite, landmark): xy for (name, landmark), xy in right.items()}
    with pytest.raises(SideError, match=f"Slice {neighbour}: In a right knee"):
        measure_set(landmark_set({2: right, neighbour: exchanged}), stack, side=Side.RIGHT)
    disordered = knee_points(lateral_mm=-6.0)
    with pytest.raises(LandmarkError, match=f"Slice {neighbour}: lateral_outer_edge lies"):
        measure_set(landmark_set({2: right, neighbour: disordered}), stack, side=Side.RIGHT)


def test_image_sides_exchanged_are_refused(
    stack: list[ImagePlane], landmark_set: SetOf, knee_points: Callable[..., Points]
) -> None:
    names = {MEDIAL: Compartment.IMAGE_LEFT, LATERAL: Compartment.IMAGE_RIGHT}
    points = {(names[c], landmark): xy for (c, landmark), xy in knee_points().items()}
    with pytest.raises(LandmarkError, match="Exchange the two names"):
        measure_set(landmark_set({2: points}), stack)

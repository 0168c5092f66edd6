"""Landmarks that cannot be right are refused with the name of the landmark and the remedy."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import Point
from meniscal_measure.caliper.landmarks import (
    ImagePlane,
    LandmarkSet,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.caliper.measure import MeasuredSet, measure_set
from meniscal_measure.caliper.reading import AxisConvention, Conventions
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
Points = dict[Point, tuple[float, float]]
Measure = Callable[..., MeasuredSet]


@pytest.fixture(scope="session")
def measure(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
) -> Measure:
    """Measure points on the only slice of a stack, as if it had the given index."""

    def build(
        points: Points,
        *,
        axis: AxisConvention = AxisConvention.RIM_TO_RIM,
        index: int = 0,
        sd_mm: float = 0.2,
    ) -> MeasuredSet:
        grid = coronal_grid()
        landmarks = place(grid, points, index=index, sd_mm=sd_mm)
        return measure_set(
            LandmarkSet(landmarks, (), SliceConvention.CHOSEN_BY_READER, "test"),
            [plane(grid, "1.2.3")],
            conventions=Conventions(axis=axis),
            side=Side.RIGHT,
        )

    return build


def test_free_edge_beyond_outer_edge_is_the_wrong_order(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    tip, edge = (MEDIAL, Landmark.FREE_EDGE), (MEDIAL, Landmark.OUTER_EDGE)
    points[tip], points[edge] = points[edge], points[tip]
    with pytest.raises(LandmarkError, match="medial_free_edge must lie inward of medial_outer"):
        measure(points)


def test_spine_base_beyond_the_rim_is_the_wrong_order(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[LATERAL, Landmark.SPINE_BASE] = (-40.0, 0.0)
    with pytest.raises(LandmarkError, match="lateral_spine_base must lie inward of lateral_rim"):
        measure(points)


def test_outer_edge_on_the_other_compartment_is_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[MEDIAL, Landmark.OUTER_EDGE] = points[LATERAL, Landmark.OUTER_EDGE]
    with pytest.raises(LandmarkError, match="medial_free_edge must lie inward of medial_outer"):
        measure(points)


def test_rim_and_outer_edge_exchanged_on_an_extruded_meniscus_are_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points(medial_mm=6.0)
    rim, edge = (MEDIAL, Landmark.RIM), (MEDIAL, Landmark.OUTER_EDGE)
    points[rim], points[edge] = points[edge], points[rim]
    with pytest.raises(LandmarkError, match=r"mm inward of medial_rim.*wrong order"):
        measure(points)


def test_an_outer_edge_unusually_far_inward_is_warned_of(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    warnings = map(str, measure(knee_points(medial_mm=-2.5)).warnings)
    assert any("medial outer edge lies 2.5 mm inward of its rim" in text for text in warnings)


@pytest.mark.parametrize("axis", [AxisConvention.RIM_TO_RIM, AxisConvention.IMAGE_VERTICAL])
def test_column_and_row_exchanged_are_refused(
    measure: Measure, knee_points: Callable[..., Points], axis: AxisConvention
) -> None:
    exchanged = {point: (y, x) for point, (x, y) in knee_points().items()}
    with pytest.raises(LandmarkError, match=r"lie above each other.*column comes first"):
        measure(exchanged, axis=axis)


def test_outer_edge_without_rim_is_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    del points[MEDIAL, Landmark.RIM]
    with pytest.raises(LandmarkError, match="without medial_rim"):
        measure(points)


def test_slice_without_any_outer_edge_is_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = {name: xy for name, xy in knee_points().items() if name[1] is Landmark.RIM}
    with pytest.raises(LandmarkError, match="Slice 0: No outer edge is placed"):
        measure(points)


@pytest.mark.parametrize(
    ("axis", "needed"),
    [
        (AxisConvention.RIM_TO_RIM, "lateral_rim"),
        (AxisConvention.LOCAL_TANGENT, "medial_spine_base"),
        (AxisConvention.IMAGE_VERTICAL, "place lateral_rim or medial_spine_base"),
    ],
)
def test_axis_that_lacks_a_landmark_says_which(
    measure: Measure, knee_points: Callable[..., Points], axis: AxisConvention, needed: str
) -> None:
    points = {name: xy for name, xy in knee_points().items() if name[0] is MEDIAL}
    with pytest.raises(LandmarkError, match=needed):
        measure(points, axis=axis)


def test_coinciding_rims_are_refused(measure: Measure, knee_points: Callable[..., Points]) -> None:
    points = {name: xy for name, xy in knee_points().items() if name[0] is MEDIAL}
    points[MEDIAL, Landmark.SPINE_BASE] = points[MEDIAL, Landmark.RIM]
    with pytest.raises(LandmarkError, match="medial_rim and medial_spine_base coincide"):
        measure(points, axis=AxisConvention.LOCAL_TANGENT)


def test_image_vertical_is_refused_on_a_knee_turned_on_its_side(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    with pytest.raises(LandmarkError, match="turned 40 degrees"):
        measure(knee_points(tilt_deg=40.0), axis=AxisConvention.IMAGE_VERTICAL)


def test_landmark_outside_the_image_is_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[MEDIAL, Landmark.FREE_EDGE] = (25.0, -90.0)
    with pytest.raises(
        LandmarkError, match=r"medial_free_edge lies at column .* outside the image"
    ):
        measure(points)


def test_landmarks_too_loose_to_be_told_apart_are_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[MEDIAL, Landmark.FREE_EDGE] = (36.0, -2.0)  # 2 mm inward of the outer edge
    measure(points, sd_mm=0.5)
    with pytest.raises(LandmarkError, match=r"by at least 3\.0 mm, .* placed too loosely"):
        measure(points, sd_mm=1.0)


def test_rims_of_two_knees_are_no_plateau(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[LATERAL, Landmark.RIM] = (30.0, 0.0)
    del points[LATERAL, Landmark.OUTER_EDGE]
    with pytest.raises(LandmarkError, match=r"only 6\.0 mm apart"):
        measure(points)


def test_slice_beyond_the_series_is_refused(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    with pytest.raises(LandmarkError, match="given for slice 4, but the series has slices 0 to 0"):
        measure(knee_points(), index=4)


def test_names_by_anatomy_and_by_image_side_do_not_mix(
    measure: Measure, knee_points: Callable[..., Points]
) -> None:
    points = knee_points()
    points[Compartment.IMAGE_LEFT, Landmark.RIM] = (-36.0, 0.0)
    with pytest.raises(LandmarkError, match="both by anatomy and by image side"):
        measure(points)


@pytest.mark.parametrize(("scale", "width"), [(0.5, "36.0"), (1.4, "100.8")])
def test_implausible_plateau_is_warned_of(
    measure: Measure, knee_points: Callable[..., Points], scale: float, width: str
) -> None:
    """A pixel spacing wrong by that factor would show so."""
    points = {name: (scale * x, scale * y) for name, (x, y) in knee_points().items()}
    said = f"{width} mm wide, outside 50 to 97 mm"
    assert any(said in str(warning) for warning in measure(points).warnings)

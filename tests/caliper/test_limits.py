"""Where the limits of the checks lie: the last value that passes, and the first that does not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import Point, outward
from meniscal_measure.caliper.checks import check_on_slice, check_order, check_side
from meniscal_measure.caliper.landmarks import (
    ImagePlane,
    LandmarkSet,
    PlacedLandmark,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.caliper.measure import measure_set
from meniscal_measure.caliper.reading import AxisConvention, Conventions
from meniscal_measure.errors import LandmarkError, SideError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import FloatArray, PixelGrid

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
RIM, EDGE = Landmark.RIM, Landmark.OUTER_EDGE
FREE, SPINE = Landmark.FREE_EDGE, Landmark.SPINE_BASE
Points = dict[Point, tuple[float, float]]

GRID = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.25, 100, 120)
"""Its normal is the patient's y axis and its spacings are exact in binary, so that limits are."""


def ordered(
    changes: Mapping[Point, tuple[float, float]], sds_mm: Mapping[Point, float] | None = None
) -> None:
    """Check the order of a level knee with rims 72 mm apart and what differs from it."""
    points: dict[Point, FloatArray] = {
        (MEDIAL, RIM): np.array([36.0, 0.0]),
        (MEDIAL, EDGE): np.array([38.0, -4.0]),
        (LATERAL, RIM): np.array([-36.0, 0.0]),
    }
    points |= {point: np.array(xy) for point, xy in changes.items()}
    stated = dict.fromkeys(points, 0.2) | dict(sds_mm or {})
    check_order(points, stated, AxisConvention.RIM_TO_RIM)


# Off the plane, off the image


@pytest.mark.parametrize("off_mm", [0.2, -0.2])
def test_a_landmark_up_to_a_fifth_of_a_millimetre_off_its_slice_is_on_it(off_mm: float) -> None:
    check_on_slice("medial_rim", PlacedLandmark((10.0, off_mm, -10.0), 0.2), GRID)


@pytest.mark.parametrize("off_mm", [0.21, -0.21, math.nan])
def test_a_landmark_further_off_its_slice_belongs_to_another(off_mm: float) -> None:
    with pytest.raises(LandmarkError, match=r"medial_rim lies .* off the plane"):
        check_on_slice("medial_rim", PlacedLandmark((10.0, off_mm, -10.0), 0.2), GRID)


@pytest.mark.parametrize(("column", "row"), [(-0.5, 0.0), (119.5, 0.0), (0.0, -0.5), (0.0, 99.5)])
def test_a_landmark_on_the_border_of_the_image_is_on_it(column: float, row: float) -> None:
    point = (0.25 * column, 0.0, -0.5 * row)
    check_on_slice("medial_rim", PlacedLandmark(point, 0.2), GRID)


@pytest.mark.parametrize(("column", "row"), [(-0.6, 0.0), (119.6, 0.0), (0.0, -0.6), (0.0, 99.6)])
def test_a_landmark_beyond_any_border_is_off_the_image(column: float, row: float) -> None:
    point = (0.25 * column, 0.0, -0.5 * row)
    with pytest.raises(LandmarkError, match="outside the image of 120 columns and 100 rows"):
        check_on_slice("medial_rim", PlacedLandmark(point, 0.2), GRID)


# Order


def test_an_outer_edge_may_lie_25_mm_outward_and_5_mm_inward_of_its_rim() -> None:
    ordered({(MEDIAL, EDGE): (61.0, -4.0)})
    ordered({(MEDIAL, EDGE): (31.0, -4.0)})


@pytest.mark.parametrize(("x_mm", "said"), [(61.1, "25.1 mm outward"), (30.9, "5.1 mm inward")])
def test_an_outer_edge_further_off_was_set_on_something_else(x_mm: float, said: str) -> None:
    with pytest.raises(LandmarkError, match=f"medial_outer_edge lies {said} of medial_rim"):
        ordered({(MEDIAL, EDGE): (x_mm, -4.0)})


@pytest.mark.parametrize(("inner", "outer_mm"), [((MEDIAL, FREE), 38.0), ((MEDIAL, SPINE), 36.0)])
def test_landmarks_1_mm_apart_are_in_order_and_closer_ones_are_not(
    inner: Point, outer_mm: float
) -> None:
    ordered({inner: (outer_mm - 1.0, 0.0)})
    with pytest.raises(LandmarkError, match=r"by at least 1\.0 mm, .* 0\.90 mm"):
        ordered({inner: (outer_mm - 0.9, 0.0)})


@pytest.mark.parametrize("loose", [(MEDIAL, FREE), (MEDIAL, EDGE)])
def test_the_looser_of_two_landmarks_says_how_far_apart_they_must_be(loose: Point) -> None:
    """Three standard deviations of 0.5 mm, whichever of the two has it."""
    ordered({(MEDIAL, FREE): (36.5, 0.0)}, {loose: 0.5})
    with pytest.raises(LandmarkError, match=r"by at least 1\.5 mm, .* 1\.40 mm"):
        ordered({(MEDIAL, FREE): (36.6, 0.0)}, {loose: 0.5})


def test_rims_10_mm_apart_may_be_those_of_one_knee_and_closer_ones_not() -> None:
    ordered({(LATERAL, RIM): (26.0, 0.0)})
    with pytest.raises(LandmarkError, match=r"only 9\.9 mm apart"):
        ordered({(LATERAL, RIM): (26.1, 0.0)})


# Tilt and side


def tilted(names: tuple[Compartment, Compartment], tilt_deg: float) -> SliceLandmarks:
    """Rims 40 mm apart, the first named compartment on the right of the image."""
    x, z = (20 * f(math.radians(tilt_deg)) for f in (math.cos, math.sin))
    return SliceLandmarks(
        0,
        {
            name: {RIM: PlacedLandmark((sign * x, 0.0, sign * z), 0.2)}
            for name, sign in zip(names, (1, -1), strict=True)
        },
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_a_plateau_may_be_turned_45_degrees_either_way_and_no_more(sign: int) -> None:
    check_side(tilted((MEDIAL, LATERAL), 44.0 * sign), GRID, Side.RIGHT)
    with pytest.raises(LandmarkError, match=r"turned 46 degrees .* and a plateau no more than 45"):
        check_side(tilted((MEDIAL, LATERAL), 46.0 * sign), GRID, Side.RIGHT)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_compartment_alone_may_be_turned_as_far_either_way(sign: int) -> None:
    """With one compartment only, its spine base and rim tell how it is turned."""
    with pytest.raises(LandmarkError, match="turned 46 degrees"):
        check_side(alone(MEDIAL, 30.0, 46.0 * sign), GRID, Side.RIGHT)


def alone(name: Compartment, rim_mm: float, tilt_deg: float = 0.0) -> SliceLandmarks:
    """A rim so far to the right of its spine base in the image, nothing on the other side."""
    x, z = (rim_mm * f(math.radians(tilt_deg)) for f in (math.cos, math.sin))
    spine, rim = ((0.0, 0.0, 0.0), (x, 0.0, z))
    points = {SPINE: PlacedLandmark(spine, 0.2), RIM: PlacedLandmark(rim, 0.2)}
    return SliceLandmarks(0, {name: points})


@pytest.mark.parametrize(
    ("side", "name", "towards", "rim_mm"),
    [
        (Side.RIGHT, MEDIAL, "left", -30.0),
        (Side.RIGHT, LATERAL, "right", 30.0),
        (Side.LEFT, MEDIAL, "right", 30.0),
        (Side.LEFT, LATERAL, "left", -30.0),
    ],
)
def test_a_compartment_on_the_wrong_side_is_told_where_it_lies(
    side: Side, name: Compartment, towards: str, rim_mm: float
) -> None:
    """Outside check: LPS (PS3.3 C.7.6.2.1.1): +x is towards the patient's left."""
    check_side(alone(name, -rim_mm), GRID, side)
    with pytest.raises(SideError, match=f"{name} compartment lies towards the patient's {towards}"):
        check_side(alone(name, rim_mm), GRID, side)


def test_image_left_is_wrong_however_little_it_points_to_the_right() -> None:
    check_side(alone(Compartment.IMAGE_LEFT, -0.5), GRID, None)
    with pytest.raises(LandmarkError, match="Exchange the two names"):
        check_side(alone(Compartment.IMAGE_LEFT, 0.5), GRID, None)


def test_medial_lies_towards_the_other_leg() -> None:
    """Outside check: LPS (PS3.3 C.7.6.2.1.1): +x is to the left, where a right knee's middle is."""
    check_side(tilted((MEDIAL, LATERAL), 0.0), GRID, Side.RIGHT)
    check_side(tilted((LATERAL, MEDIAL), 0.0), GRID, Side.LEFT)
    for names, side in (((MEDIAL, LATERAL), Side.LEFT), ((LATERAL, MEDIAL), Side.RIGHT)):
        with pytest.raises(SideError, match="Exchange medial and lateral, or correct the side"):
            check_side(tilted(names, 0.0), GRID, side)


@pytest.mark.parametrize("side", [None, Side.LEFT, Side.RIGHT])
def test_image_left_lies_on_the_left_of_the_image_whatever_the_side(side: Side | None) -> None:
    right, left = Compartment.IMAGE_RIGHT, Compartment.IMAGE_LEFT
    check_side(tilted((right, left), 0.0), GRID, side)
    with pytest.raises(LandmarkError, match="Exchange the two names"):
        check_side(tilted((left, right), 0.0), GRID, side)


def test_image_left_is_told_from_the_rows_of_the_image_and_not_from_the_patient() -> None:
    """Seen from behind, columns run to the patient's right: left of the image is +x."""
    behind = PixelGrid((0, 0, 0), (-1, 0, 0), (0, 0, -1), 0.5, 0.25, 100, 120)
    right, left = Compartment.IMAGE_RIGHT, Compartment.IMAGE_LEFT
    check_side(tilted((left, right), 0.0), behind, None)
    with pytest.raises(LandmarkError, match="Exchange the two names"):
        check_side(tilted((right, left), 0.0), behind, None)


def test_the_vertical_of_the_image_counts_up_to_30_degrees_of_tilt() -> None:
    def turned(tilt_deg: float) -> FloatArray:
        x, y = (36 * f(math.radians(tilt_deg)) for f in (math.cos, math.sin))
        points = {(MEDIAL, RIM): np.array([x, y]), (LATERAL, RIM): np.array([-x, -y])}
        return outward(points, MEDIAL, AxisConvention.IMAGE_VERTICAL)

    assert turned(29.9).tolist() == [1.0, 0.0]
    assert turned(-29.9).tolist() == [1.0, 0.0]
    with pytest.raises(LandmarkError, match="turned 31 degrees"):
        turned(31.0)


# Warnings


@pytest.fixture(scope="session")
def warned(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
) -> Callable[[Points], set[Code]]:
    """Measure points on a slice, and list what is warned of."""
    grid = coronal_grid()

    def build(points: Points) -> set[Code]:
        landmarks = LandmarkSet(place(grid, points), (), SliceConvention.CHOSEN_BY_READER, "test")
        found = measure_set(landmarks, [plane(grid, "1.2")], side=Side.RIGHT)
        return {finding.code for finding in found.warnings}

    return build


@pytest.mark.parametrize(
    ("width_mm", "unusual"), [(49.9, True), (50.1, False), (96.9, False), (97.1, True)]
)
def test_a_plateau_of_50_to_97_mm_is_usual(
    warned: Callable[[Points], set[Code]],
    knee_points: Callable[..., Points],
    width_mm: float,
    unusual: bool,
) -> None:
    points = {name: (x * width_mm / 72, y) for name, (x, y) in knee_points().items()}
    assert (Code.UNUSUAL_PLATEAU_WIDTH in warned(points)) is unusual


@pytest.mark.parametrize(("medial_mm", "unusual"), [(-1.9, False), (-2.1, True)])
def test_an_outer_edge_2_mm_inward_of_its_rim_is_usual(
    warned: Callable[[Points], set[Code]],
    knee_points: Callable[..., Points],
    medial_mm: float,
    unusual: bool,
) -> None:
    assert (Code.UNUSUALLY_INWARD in warned(knee_points(medial_mm))) is unusual


@pytest.mark.parametrize(("medial_mm", "unusual"), [(8.9, False), (9.1, True)])
def test_an_outer_edge_9_mm_outward_of_its_rim_is_seen_in_knees(
    warned: Callable[[Points], set[Code]],
    knee_points: Callable[..., Points],
    medial_mm: float,
    unusual: bool,
) -> None:
    """Furumatsu 2017: at most 8.8 mm in 46 knees with a root tear."""
    assert (Code.UNUSUALLY_FAR_OUT in warned(knee_points(medial_mm))) is unusual


@pytest.mark.parametrize("compartment", [Compartment.MEDIAL, Compartment.LATERAL])
@pytest.mark.parametrize(
    ("height_mm", "unusual"), [(15.9, False), (-15.9, False), (16.1, True), (-16.1, True)]
)
def test_an_outer_edge_16_mm_above_or_below_its_rim_is_usual(
    warned: Callable[[Points], set[Code]],
    knee_points: Callable[..., Points],
    compartment: Compartment,
    height_mm: float,
    unusual: bool,
) -> None:
    """Source: 11.6 mm and twice 2.1 mm, rim to femur in 44 knees (arXiv:2211.16696)."""
    points = knee_points()
    edge = (compartment, Landmark.OUTER_EDGE)
    rim = points[compartment, Landmark.RIM]
    points[edge] = (points[edge][0], rim[1] + height_mm)
    assert (Code.UNUSUAL_HEIGHT in warned(points)) is unusual


@pytest.mark.parametrize(
    ("lateral_mm", "code"), [(9.1, Code.UNUSUALLY_FAR_OUT), (-2.1, Code.UNUSUALLY_INWARD)]
)
def test_the_lateral_compartment_is_warned_of_as_well(
    warned: Callable[[Points], set[Code]],
    knee_points: Callable[..., Points],
    lateral_mm: float,
    code: Code,
) -> None:
    assert code in warned(knee_points(lateral_mm=lateral_mm))


def unequal(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
    points: Points,
    spacing_mm: tuple[float, float],
) -> list[Finding]:
    grid = coronal_grid(spacing_mm)
    landmarks = LandmarkSet(place(grid, points), (), SliceConvention.CHOSEN_BY_READER, "test")
    found = measure_set(landmarks, [plane(grid, "1.2")], side=Side.RIGHT).warnings
    return [finding for finding in found if finding.code is Code.UNEQUAL_SPACINGS]


@pytest.mark.parametrize(
    ("spacing_mm", "remarked"),
    [
        ((0.4, 0.4), 0),
        ((0.4036, 0.4), 0),
        ((0.4, 0.4036), 0),
        ((0.4048, 0.4), 1),
        ((0.4, 0.4048), 1),
    ],
)
def test_spacings_that_differ_by_more_than_a_hundredth_are_remarked_on(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
    knee_points: Callable[..., Points],
    spacing_mm: tuple[float, float],
    remarked: int,
) -> None:
    found = unequal(coronal_grid, place, plane, knee_points(), spacing_mm)
    assert len(found) == remarked


def test_the_remark_says_what_field_of_view_and_plateau_imply(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
    knee_points: Callable[..., Points],
) -> None:
    """160 mm of image either way; were the pixels square, the plateau of 72 mm had 90 mm."""
    (found,) = unequal(coronal_grid, place, plane, knee_points(), (0.5, 0.4))
    values = {
        name: found.values[name] for name in ("width_mm", "height_mm", "plateau_mm", "square_mm")
    }
    assert values == pytest.approx(
        {"width_mm": 160.0, "height_mm": 160.0, "plateau_mm": 72.0, "square_mm": 90.0}
    )


def test_without_both_rims_nothing_is_implied(
    coronal_grid: Callable[..., PixelGrid],
    place: Callable[..., SliceLandmarks],
    plane: Callable[[PixelGrid, str], ImagePlane],
    knee_points: Callable[..., Points],
) -> None:
    grid = coronal_grid((0.5, 0.4))
    points = {name: xy for name, xy in knee_points().items() if name[0] is MEDIAL}
    points[MEDIAL, SPINE] = (5.0, 0.0)
    landmarks = LandmarkSet(place(grid, points), (), SliceConvention.CHOSEN_BY_READER, "test")
    conventions = Conventions(axis=AxisConvention.LOCAL_TANGENT)
    found = measure_set(landmarks, [plane(grid, "1.2")], conventions=conventions, side=Side.RIGHT)
    assert Code.UNEQUAL_SPACINGS not in {finding.code for finding in found.warnings}

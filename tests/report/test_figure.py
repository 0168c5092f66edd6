from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from meniscal_measure.anatomy import Landmark, Side
from meniscal_measure.caliper.reading import ThresholdRule
from meniscal_measure.findings import Code
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.figure import slice_figure
from meniscal_measure.report.window import display_window
from tests.handmade_findings import example
from tests.handmade_readings import Case, MakeCase

RECTANGULAR = {"row_spacing_mm": 0.4, "column_spacing_mm": 0.7}

CASES: dict[str, dict[str, object]] = {
    "flagged and not": {},
    "both flagged": {"left_mm": 8.0, "right_mm": 6.0},
    "undecided": {"left_mm": 2.8, "right_mm": 3.2},
    "exactly the threshold": {"left_mm": 3.0, "right_mm": 3.0},
    "one not measured": {"left_mm": None},
    "side unknown": {"side": None, "named_by_anatomy": False},
    "verified": {"verified": True},
    "negative": {"left_mm": -1.5, "right_mm": 0.0},
    "every warning": {"warnings": tuple(map(example, Code))},
    "none": {"warnings": ()},
}


def axes_of(figure: Figure, gid: str) -> Axes:
    return next(axes for axes in figure.axes if axes.get_gid() == gid)


def line_of(axes: Axes, gid: str) -> Line2D:
    return next(line for line in axes.lines if line.get_gid() == gid)


def line_mm(axes: Axes, gid: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.asarray(line_of(axes, gid).get_xydata(), dtype=np.float64)


def texts_of(figure: Figure) -> list[Text]:
    return [text for text in figure.findobj(Text) if text.get_text()]


def words_of(figure: Figure) -> str:
    return " ".join(text.get_text() for text in texts_of(figure))


def patch_of(figure: Figure, gid: str) -> Rectangle:
    found = figure.findobj(lambda artist: artist.get_gid() == gid)[0]
    assert isinstance(found, Rectangle)
    return found


def grey_picture(figure: Figure) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    stream = io.BytesIO()
    figure.savefig(stream, format="rgba")
    width, height = figure.canvas.get_width_height()
    rgba = np.frombuffer(stream.getvalue(), np.uint8).reshape(height, width, 4)
    rgb = rgba[..., :3].astype(np.float64)
    return np.asarray(rgb @ [0.2126, 0.7152, 0.0722])  # luminance, ITU-R BT.709


def grey_inside(figure: Figure, gid: str) -> float:
    picture = grey_picture(figure)
    box = patch_of(figure, gid).get_window_extent()
    top = picture.shape[0] - box.y1
    rows = slice(round(top) + 2, round(top + box.height) - 2)
    return float(np.median(picture[rows, round(box.x0) + 2 : round(box.x1) - 2]))


def test_the_caliper_runs_from_the_rim_line_to_the_outer_edge(case: Case) -> None:
    reading, images = case
    medial = reading.medial
    assert medial is not None
    for gid in ("slice", "medial-detail"):
        start, end = line_mm(axes_of(slice_figure(reading, images), gid), "medial-caliper")
        column, row = medial.landmark_pixels[Landmark.OUTER_EDGE]
        assert end == pytest.approx([column * 0.7, row * 0.4])
        assert np.linalg.norm(end - start) == pytest.approx(4.5)


def test_the_rim_line_goes_through_the_rim(case: Case) -> None:
    reading, images = case
    medial = reading.medial
    assert medial is not None
    low, high = line_mm(axes_of(slice_figure(reading, images), "slice"), "medial-rim-line")
    column, row = medial.landmark_pixels[Landmark.RIM]
    to_rim, along = np.array([column * 0.7, row * 0.4]) - low, high - low
    assert to_rim[0] * along[1] - to_rim[1] * along[0] == pytest.approx(0, abs=1e-6)
    assert 0 < to_rim @ along < along @ along


@pytest.mark.parametrize("gid", ["slice", "locator", "medial-detail", "lateral-detail"])
def test_a_millimetre_is_as_long_across_as_down_with_rectangular_pixels(
    make_case: MakeCase, gid: str
) -> None:
    figure = slice_figure(*make_case(**RECTANGULAR))
    figure.draw_without_rendering()
    axes = axes_of(figure, gid)
    origin, right, down = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
    assert right[0] - origin[0] == pytest.approx(origin[1] - down[1], rel=1e-6)


def test_the_image_lies_where_its_pixels_are(make_case: MakeCase) -> None:
    reading, images = make_case(**RECTANGULAR)
    shown = axes_of(slice_figure(reading, images), "slice").images[0]
    assert shown.get_extent() == pytest.approx([-0.35, 111.65, 95.8, -0.2])
    index = reading.measured.slice_index
    assert np.array_equal(np.asarray(shown.get_array()), images.pixels[index])
    assert shown.get_clim() == pytest.approx(display_window(images.pixels[index]))


@pytest.mark.parametrize("gid", ["slice", "medial-detail", "lateral-detail"])
def test_the_scale_bar_is_as_long_as_it_says(case: Case, gid: str) -> None:
    axes = axes_of(slice_figure(*case), gid)
    (x0, _), (x1, _) = line_mm(axes, "scale-bar")
    assert f"{x1 - x0:g} mm" in [text.get_text() for text in axes.texts]
    left, right = axes.get_xlim()
    assert left < x0 < x1 < right


@pytest.mark.parametrize(
    ("row_cosines", "column_cosines", "letters"),
    [
        # left, right, top, bottom of the image (DICOM PS3.3 C.7.6.1.1.1)
        ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), "R L H F"),
        ((-1.0, 0.0, 0.0), (0.0, 0.0, -1.0), "L R H F"),
        ((0.0, 1.0, 0.0), (0.0, 0.0, -1.0), "A P H F"),
        ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), "R L A P"),
        ((0.96, 0.28, 0.0), (0.0, 0.0, -1.0), "RA LP H F"),
    ],
)
def test_orientation_letters_follow_the_geometry(
    make_case: MakeCase, row_cosines: object, column_cosines: object, letters: str
) -> None:
    reading, images = make_case(row_cosines=row_cosines, column_cosines=column_cosines)
    axes = axes_of(slice_figure(reading, images), "slice")
    named = {text.get_gid(): text.get_text() for text in axes.texts}
    shown = [named[f"orientation-{place}"] for place in ("left", "right", "top", "bottom")]
    assert " ".join(shown) == letters


def test_a_flagged_card_is_black_and_a_free_one_light_in_grey_scale(case: Case) -> None:
    figure = slice_figure(*case)
    assert grey_inside(figure, "medial-card-bar") < 60
    assert grey_inside(figure, "lateral-card-bar") > 200
    heavy, light = (patch_of(figure, f"{name}-card") for name in ("medial", "lateral"))
    assert heavy.get_linewidth() > 2 * light.get_linewidth()


def test_a_flagged_caliper_differs_in_weight_and_marker_not_only_in_colour(case: Case) -> None:
    axes = axes_of(slice_figure(*case), "slice")
    flagged, free = (line_of(axes, f"{name}-caliper") for name in ("medial", "lateral"))
    assert flagged.get_linewidth() >= 2 * free.get_linewidth()
    flag, ring = (line_of(axes, f"{name}-flag") for name in ("medial", "lateral"))
    assert (flag.get_marker(), ring.get_marker()) == ("v", "o")
    assert flag.get_markersize() > ring.get_markersize()


def test_the_flag_marker_stands_off_the_meniscus(case: Case) -> None:
    axes = axes_of(slice_figure(*case), "slice")
    (flag,) = line_mm(axes, "medial-flag")
    outer = line_mm(axes, "medial-caliper")[1]
    assert outer[1] - flag[1] > 3, "mm above the outer edge"


def test_undecided_is_dashed_and_said(make_case: MakeCase) -> None:
    figure = slice_figure(*make_case(right_mm=3.2))
    assert line_of(axes_of(figure, "slice"), "medial-caliper").get_linestyle() == "--"
    assert line_of(axes_of(figure, "slice"), "lateral-caliper").get_linestyle() == "-"
    assert patch_of(figure, "medial-card").get_linestyle() == "--"
    assert "undecided: 3 mm is within the" in words_of(figure)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (ThresholdRule.ABOVE, "exactly 3.0 mm: not flagged"),
        (ThresholdRule.AT_OR_ABOVE, "exactly 3.0 mm: flagged"),
    ],
)
def test_exactly_three_names_its_rule(make_case: MakeCase, rule: ThresholdRule, said: str) -> None:
    assert said in words_of(slice_figure(*make_case(right_mm=3.0, rule=rule)))


def test_what_was_not_measured_is_said(make_case: MakeCase) -> None:
    said = words_of(slice_figure(*make_case(left_mm=None)))
    assert "LATERAL not measured" in said
    assert "lateral, enlarged: not measured" in said


def test_an_unknown_side_is_said_and_compartments_keep_to_the_image(make_case: MakeCase) -> None:
    figure = slice_figure(*make_case(side=None, named_by_anatomy=False))
    assert "SIDE UNKNOWN" in words_of(figure)
    left, right = (patch_of(figure, f"image_{name}-card") for name in ("left", "right"))
    assert left.get_x() < right.get_x()
    assert "medial" not in words_of(figure).lower().replace("medial tibial spine", "").replace(
        "largest_medial_spine", ""
    )


@pytest.mark.parametrize(("side", "medial_left"), [(Side.RIGHT, False), (Side.LEFT, True)])
def test_each_card_stands_beside_its_compartment(
    make_case: MakeCase, side: Side, medial_left: bool
) -> None:
    figure = slice_figure(*make_case(side=side))
    medial, lateral = (patch_of(figure, f"{name}-card") for name in ("medial", "lateral"))
    assert bool(medial.get_x() < lateral.get_x()) is medial_left


def test_the_figure_says_what_it_shows(case: Case) -> None:
    said = words_of(slice_figure(*case))
    for part in (
        "4.50 ± 0.59 mm",
        "95 %: 3.91 to 5.09 mm",
        "P(> 3 mm): > 0.99",
        "FLAGGED",
        "PROPOSED, NOT VERIFIED",
        "image 43 (Instance Number), slice 4 of 7 from the front",
        "right knee (side from Laterality (0020,0060))",
        "rim_to_rim",
        "largest_medial_spine",
        "> 3 mm, exactly 3",
        "0.4 × 0.7 mm (row × column)",
        "A measurement aid, not a diagnosis.",
    ):
        assert part in said
    assert NOTICE in said


@pytest.mark.parametrize("changes", CASES.values(), ids=CASES.keys())
def test_no_words_overlap_or_run_off_the_paper(
    make_case: MakeCase, layout_faults: Callable[[Figure], list[str]], changes: dict[str, object]
) -> None:
    assert layout_faults(slice_figure(*make_case(**changes))) == []


@pytest.mark.parametrize("changes", CASES.values(), ids=CASES.keys())
def test_the_words_of_a_card_stay_inside_it(
    make_case: MakeCase, changes: dict[str, object]
) -> None:
    figure = slice_figure(*make_case(**changes))
    figure.draw_without_rendering()
    cards = [
        artist.get_window_extent()
        for artist in figure.findobj(Rectangle)
        if str(artist.get_gid()).endswith("-card")
    ]
    assert len(cards) == 2
    for card in cards:
        inside = [
            box
            for box in (text.get_window_extent() for text in texts_of(figure))
            if card.x0 <= box.x0 <= card.x1 and card.y0 <= box.y1 <= card.y1
        ]
        assert len(inside) >= 2
        assert all(box.x1 <= card.x1 and box.y0 >= card.y0 for box in inside)

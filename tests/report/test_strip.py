from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.strip import strip_figure, strip_indices
from tests.handmade_readings import Case, MakeCase


def frames(figure: Figure) -> dict[str, Axes]:
    return {str(axes.get_gid()): axes for axes in figure.axes}


def words(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.texts)


@pytest.mark.parametrize(
    ("measured", "shown"), [(3, [1, 2, 3, 4, 5]), (0, [0, 1, 2]), (6, [4, 5, 6])]
)
def test_the_slices_beside_the_measured_one_are_shown(
    case: Case, measured: int, shown: list[int]
) -> None:
    reading, _ = case
    moved = replace(reading, measured=replace(reading.measured, slice_index=measured))
    assert strip_indices(moved) == shown


def test_measured_slices_carry_their_marks_and_values(case: Case) -> None:
    figure = strip_figure(*case)
    shown = frames(figure)
    assert list(shown) == [f"slice-{index}" for index in (1, 2, 3, 4, 5)]
    for index in (1, 2, 3, 4, 5):
        calipers = [
            line for line in shown[f"slice-{index}"].lines if "caliper" in str(line.get_gid())
        ]
        assert len(calipers) == (2 if index in (2, 3, 4) else 0)
    assert words(figure).count("medial 4.50 ± 0.59 mm ▼") == 3
    assert words(figure).count("lateral 1.00 ± 0.59 mm") == 3
    assert words(figure).count("no landmarks placed") == 2


def test_the_measured_slice_is_marked_by_frame_and_words(case: Case) -> None:
    figure = strip_figure(*case)
    shown = frames(figure)
    assert "slice 4, image 43" in words(figure)
    assert words(figure).count("measured slice") == 1
    heavy = shown["slice-3"].spines["left"].get_linewidth()
    assert heavy > 3 * shown["slice-2"].spines["left"].get_linewidth()


def test_every_frame_shows_the_same_part_at_the_true_aspect_ratio(make_case: MakeCase) -> None:
    figure = strip_figure(*make_case(row_spacing_mm=0.8, column_spacing_mm=0.5))
    figure.draw_without_rendering()
    limits = {(axes.get_xlim(), axes.get_ylim()) for axes in figure.axes}
    assert len(limits) == 1
    for axes in figure.axes:
        origin, right, down = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
        assert right[0] - origin[0] == pytest.approx(origin[1] - down[1], rel=1e-6)


def test_a_slice_whose_image_could_not_be_read_is_said(case: Case) -> None:
    reading, images = case
    pixels = {index: image for index, image in images.pixels.items() if index != 4}
    shown = frames(strip_figure(reading, SeriesImages(pixels, images.grids)))["slice-4"]
    assert not shown.images
    assert "image not read" in [text.get_text() for text in shown.texts]


def test_the_strip_says_what_it_is_and_is_not(case: Case) -> None:
    said = words(strip_figure(*case))
    assert "PROPOSED, NOT VERIFIED" in said
    assert NOTICE in said


def test_no_words_overlap_or_run_off_the_paper(
    make_case: MakeCase, layout_faults: Callable[[Figure], list[str]]
) -> None:
    reading, images = make_case(left_mm=-1.25, right_mm=11.5, side=None, named_by_anatomy=False)
    assert layout_faults(strip_figure(reading, images)) == []

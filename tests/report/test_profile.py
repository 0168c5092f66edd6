from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.profile import OFFSET_MM, profile_figure
from tests.handmade_readings import Case, MakeCase


def profile(case: Case) -> Axes:
    reading, images = case
    return profile_figure(reading, images.grids[reading.measured.slice_index]).axes[0]


def line(axes: Axes, gid: str) -> Line2D:
    return next(line for line in axes.lines if line.get_gid() == gid)


def test_the_curve_gives_extrusion_against_distance_from_the_measured_slice(case: Case) -> None:
    x, y = np.asarray(line(profile(case), "medial-curve").get_data(), dtype=np.float64)
    assert x == pytest.approx(np.array([-3.0, 0.0, 3.0]), abs=OFFSET_MM + 1e-9)
    assert y == pytest.approx([4.5, 4.5, 4.5])


def test_bars_span_the_95_percent_interval(case: Case) -> None:
    bars = [line for line in profile(case).lines if line.get_marker() == "_"]
    ends = {tuple(np.round(np.asarray(bar.get_ydata(), dtype=float), 3)) for bar in bars}
    assert len(bars) == 6
    assert ends == {(3.912, 5.088), (0.412, 1.588)}


def test_the_threshold_lies_at_its_value_and_the_measured_slice_is_marked(case: Case) -> None:
    axes = profile(case)
    assert list(np.asarray(line(axes, "threshold").get_ydata())) == [3.0, 3.0]
    said = " ".join(text.get_text() for text in axes.texts)
    assert "threshold 3 mm" in said
    assert "measured: slice 4, image 43" in said
    assert any(patch.get_gid() == "measured-slice" for patch in axes.patches)


def test_compartments_differ_in_line_style_marker_and_name(case: Case) -> None:
    axes = profile(case)
    styles = {line(axes, f"{name}-curve").get_linestyle() for name in ("medial", "lateral")}
    assert styles == {"-", ":"}
    points = [line.get_marker() for line in axes.lines if line.get_marker() in ("v", "o")]
    assert sorted(map(str, points)) == ["o", "o", "o", "v", "v", "v"]
    assert {"medial", "lateral"} <= {text.get_text() for text in axes.texts}


def test_an_undecided_interval_is_dashed(make_case: MakeCase) -> None:
    bars = [line for line in profile(make_case(right_mm=3.1)).lines if line.get_marker() == "_"]
    assert sorted(str(bar.get_linestyle()) for bar in bars) == ["-"] * 3 + ["--"] * 3


def test_the_horizontal_axis_names_its_direction_in_the_patient(case: Case) -> None:
    assert profile(case).get_xlabel().endswith("(towards P)")


def test_a_compartment_that_was_not_measured_has_no_curve(make_case: MakeCase) -> None:
    axes = profile(make_case(left_mm=None))
    assert not [line for line in axes.lines if line.get_gid() == "lateral-curve"]
    assert line(axes, "medial-curve").get_visible()


def test_the_profile_says_what_it_is_and_is_not(case: Case) -> None:
    reading, images = case
    figure = profile_figure(reading, images.grids[0])
    said = " ".join(text.get_text() for text in figure.texts)
    assert "PROPOSED, NOT VERIFIED" in said
    assert NOTICE in said


@pytest.mark.parametrize("right_mm", [-1.0, 0.9, 1.0, 1.2, 2.9, 7.0])
def test_no_words_overlap_wherever_the_curves_end(
    make_case: MakeCase, layout_faults: Callable[[Figure], list[str]], right_mm: float
) -> None:
    reading, images = make_case(right_mm=right_mm)
    assert layout_faults(profile_figure(reading, images.grids[0])) == []

"""Figures for a paper: vector, with their numbers in them, and the same each time."""

from __future__ import annotations

import re
import subprocess
import sys

import numpy as np
import pytest

from meniscal_measure.caliper.reading import Conventions, ThresholdRule
from meniscal_measure.cohort.agreement.change import KneeChanges
from meniscal_measure.cohort.agreement.diagnostic import roc_curve
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.limits import limits_of_agreement
from meniscal_measure.cohort.agreement.plots import (
    MANY_POINTS,
    Draw,
    change_plot,
    distribution_plot,
    drawn,
    figure_of,
    limits_plot,
    roc_plot,
)


def svg_text(draw: Draw) -> str:
    """All words of a plot, in the order they were drawn."""
    svg = drawn(draw, "svg").decode()
    return " ".join(re.findall(r"<text[^>]*>([^<]+)</text>", svg))


@pytest.fixture
def pair() -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(80)
    first = rng.normal(3, 1, 30)
    return first, first + rng.normal(0.1, 0.3, 30)


def test_limits_plot_writes_bias_and_limits(pair: tuple[FloatArray, FloatArray]) -> None:
    limits = limits_of_agreement(*pair)
    words = svg_text(limits_plot(*pair, limits))
    for estimate in (limits.bias, limits.lower, limits.upper):
        assert f"{estimate.value:.2f}" in words
    assert "Difference, first - second (mm)" in words


def test_the_same_figure_gives_the_same_bytes(pair: tuple[FloatArray, FloatArray]) -> None:
    limits = limits_of_agreement(*pair)
    for kind in ("svg", "pdf"):
        once = drawn(limits_plot(*pair, limits), kind)
        assert once == drawn(limits_plot(*pair, limits), kind)


def test_pdf_is_a_pdf(pair: tuple[FloatArray, FloatArray]) -> None:
    assert drawn(limits_plot(*pair, limits_of_agreement(*pair)), "pdf")[:5] == b"%PDF-"


def test_roc_plot_writes_the_area() -> None:
    roc = roc_curve([1, 2, 3, 4, 5, 6], [0, 0, 1, 0, 1, 1])
    assert f"area {roc.area.value:.3f}" in svg_text(roc_plot(roc, Conventions()))


def test_distribution_counts_what_the_rule_flags() -> None:
    # Costa, AJR 2004;183:17-23: 2 mm 17 knees, 3 mm 17, 4 mm 27, 5 mm 14, 6 mm 16, more 14:
    # 71 of 105 above 3 mm.
    values = np.repeat([2, 3, 4, 5, 6, 8], [17, 17, 27, 14, 16, 14])
    text = svg_text(distribution_plot(values, Conventions(), label="Medial extrusion"))
    assert "71 flagged" in text
    assert "34 not flagged" in text
    assert "Flagged: &gt; 3 mm" in text
    rule = Conventions(threshold_rule=ThresholdRule.AT_OR_ABOVE)
    text = svg_text(distribution_plot(values, rule, label="Medial extrusion"))
    assert "88 flagged" in text
    assert "Flagged: ≥ 3 mm" in text


def test_distribution_of_nothing_is_empty_and_says_so() -> None:
    plot = distribution_plot([np.nan], Conventions(), label="Medial extrusion")
    assert "0 flagged" in svg_text(plot)


def test_the_legend_of_a_distribution_covers_no_bar() -> None:
    figure = figure_of(distribution_plot([1.2, 2.1, 2.6, 5.2], Conventions(), label="Medial"))
    figure.draw_without_rendering()
    axes = figure.axes[0]
    legend = axes.get_legend()
    assert legend is not None
    covered = legend.get_window_extent()
    assert not any(covered.overlaps(bar.get_window_extent()) for bar in axes.patches)


def test_knees_beyond_the_detectable_change_differ_in_shape_not_only_colour() -> None:
    u = np.full(2, 0.2)
    mm = np.array([2.0, 2.0]), np.array([2.1, 4.0])
    changes = KneeChanges(np.array(["a", "b"]), *mm, u, u, np.arange(2), detectable_mm=0.8)
    figure = figure_of(change_plot(changes))
    markers = figure.axes[0].collections
    shapes = [np.asarray(marker.get_paths()[0].vertices) for marker in markers]
    assert len(shapes[0]) != len(shapes[1])


def test_very_many_points_do_not_swell_the_file() -> None:
    first = np.random.default_rng(81).normal(3, 1, 20 * MANY_POINTS)
    second = np.flip(first)
    plot = limits_plot(first, second, limits_of_agreement(first, second))
    assert len(drawn(plot, "svg")) < 1_000_000


def test_plotting_does_not_load_pyplot() -> None:
    code = (
        "import sys, meniscal_measure.cohort.agreement.plots;"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

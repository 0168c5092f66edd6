"""Figures of agreement for a paper: vector, in colours that differ in grey, without pyplot."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import lru_cache
from typing import Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.caliper.decision import flag
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.agreement.change import KneeChanges
from meniscal_measure.cohort.agreement.change_by_group import ChangeByGroup
from meniscal_measure.cohort.agreement.diagnostic import NOISE_DECIMALS, Roc
from meniscal_measure.cohort.agreement.estimates import Estimate, FloatArray, as_floats
from meniscal_measure.cohort.agreement.labels import named
from meniscal_measure.cohort.agreement.limits import (
    LIMIT_SDS,
    LimitsOfAgreement,
    differences_and_means,
)
from meniscal_measure.report.words import threshold_words

COLUMN_WIDTH_IN = 3.5
"""Width of one column of a journal page, in inches (common practice, no source)."""

INK = "#1a1a1a"
"""Lines and text."""
DATA = "#0072b2"
ALERT = "#d55e00"
"""Points to look at. Blue and vermilion of Okabe and Ito's palette differ for every kind of colour
vision (Wong B. Nat Methods 2011;8:441); shape or hatching distinguishes them in grey."""

BIN_MM = 0.5
"""Width of a bar of the distribution."""

MANY_POINTS = 5_000
"""More points are counted in hexagons, whose cost does not grow with the number of points."""

HEXAGONS = 50
"""Hexagons across a plot."""

Draw = Callable[[Axes], None]
"""Draws a plot on axes."""


def limits_plot(
    first: ArrayLike,
    second: ArrayLike,
    limits: LimitsOfAgreement,
    *,
    names: tuple[str, str] = ("first", "second"),
) -> Draw:
    """Plot difference against mean with bias, limits and their intervals.

    Parameters
    ----------
    first, second
        The readings behind the limits, mm, shape (n,).
    limits
        Their limits of agreement.
    names
        Who made them.
    """
    difference, mean = differences_and_means(first, second)

    def draw(axes: Axes) -> None:
        axes.set(
            xlabel="Mean of both readings (mm)", ylabel=f"Difference, {names[0]} - {names[1]} (mm)"
        )
        axes.axhline(0, color=INK, linewidth=0.4, linestyle=":")
        _scatter(axes, mean, difference, DATA)
        _level(axes, limits.bias, "bias", "-")
        _level(axes, limits.lower, f"-{LIMIT_SDS:g} SD", "--")
        _level(axes, limits.upper, f"+{LIMIT_SDS:g} SD", "--")

    return draw


def roc_plot(roc: Roc, conventions: Conventions) -> Draw:
    """Plot the ROC curve with its area, and on it the flag under these conventions."""
    area = roc.area
    words = f"area {area.value:.3f}"
    if area.low is not None and area.high is not None:
        words += f" ({area.low:.3f}-{area.high:.3f})"

    def draw(axes: Axes) -> None:
        axes.set(xlabel="1 - specificity", ylabel="Sensitivity")
        axes.set_box_aspect(1)
        axes.plot([0, 1], [0, 1], color=INK, linewidth=0.5, linestyle=":")
        axes.plot(roc.false_positive_rate, roc.sensitivity, color=DATA, linewidth=1.2)
        axes.plot(*roc.point(conventions), "s", color=ALERT, label=threshold_words(conventions))
        axes.legend(loc="lower right", frameon=False, fontsize=7, title=words, title_fontsize=7)

    return draw


def distribution_plot(values_mm: ArrayLike, conventions: Conventions, *, label: str) -> Draw:
    """Plot how often each extrusion occurs, flagged ones marked, and how many are flagged.

    A value exactly on the threshold is in the bar above it, marked by the rule.
    """
    values, threshold_mm = as_floats(values_mm), conventions.threshold_mm
    known = values[~np.isnan(values)]
    flagged = np.array([flag(value, conventions) for value in known.tolist()], dtype=bool)
    known = known.round(NOISE_DECIMALS)
    start, stop = (known.min(), known.max()) if known.size else (0.0, threshold_mm)
    low = BIN_MM * np.floor(min(start, 0.0) / BIN_MM)
    edges = np.arange(low, max(stop, threshold_mm) + 2 * BIN_MM, BIN_MM)
    parts = known[~flagged], known[flagged]
    labels = f"{parts[0].size} not flagged", f"{parts[1].size} flagged"

    def draw(axes: Axes) -> None:
        axes.set(xlabel=f"{label} (mm)", ylabel="Knees")
        axes.hist(
            parts, edges.tolist(), stacked=True, color=[DATA, ALERT], hatch=["", "////"],
            edgecolor="white", linewidth=0.4, label=labels,
        )  # fmt: skip
        axes.axvline(threshold_mm, color=INK, linewidth=0.8, linestyle="--")
        axes.set_title(f"Flagged: {threshold_words(conventions)}", fontsize=8, pad=16)
        axes.legend(
            frameon=False, fontsize=7, ncols=2, loc="lower center", bbox_to_anchor=(0.5, 0.98)
        )
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))

    return draw


def change_plot(changes: KneeChanges) -> Draw:
    """Plot the change of each knee against its baseline, with the smallest detectable change."""
    baseline, beyond = changes.baseline_mm, changes.exceeds_detectable
    limit = changes.detectable_mm

    def draw(axes: Axes) -> None:
        axes.set(xlabel="Baseline (mm)", ylabel="Change (mm)")
        _scatter(axes, baseline[~beyond], changes.change_mm[~beyond], DATA)
        _scatter(axes, baseline[beyond], changes.change_mm[beyond], ALERT, marker="^")
        axes.axhline(0, color=INK, linewidth=0.5)
        for level, name in ((-limit, "-SDC"), (limit, "+SDC")):
            axes.axhline(level, color=INK, linewidth=0.8, linestyle="--")
            _at_right_edge(axes, level, f"{name}\n{level:.2f}")

    return draw


def group_change_plot(found: ChangeByGroup) -> Draw:
    """Plot the mean change of each group with its interval."""

    def draw(axes: Axes) -> None:
        axes.set(ylabel="Mean change (mm)")
        axes.axhline(0, color=INK, linewidth=0.5, linestyle=":")
        for place, one in enumerate(found.groups):
            low, high = one.mean.low, one.mean.high
            reach = [[0.0], [0.0]]
            if low is not None and high is not None:
                reach = [[one.mean.value - low], [high - one.mean.value]]
            axes.errorbar([place], [one.mean.value], yerr=reach, fmt="o", color=DATA, capsize=3)
        names = [named(one.group) for one in found.groups]
        axes.set_xticks(range(len(names)), names)
        axes.set_xlim(-0.6, len(names) - 0.4)

    return draw


def residual_plots(fitted: FloatArray, residuals: FloatArray) -> Iterator[tuple[str, Draw]]:
    """Plot residuals of a model against what it fits, and against a normal distribution."""
    known = ~np.isnan(residuals)
    across, down = fitted[known], residuals[known]
    expected, ordered = stats.probplot(down, fit=False)

    def against_fitted(axes: Axes) -> None:
        axes.set(xlabel="Fitted (mm)", ylabel="Residual (mm)")
        axes.axhline(0, color=INK, linewidth=0.5)
        _scatter(axes, across, down, DATA)

    def against_normal(axes: Axes) -> None:
        axes.set(xlabel="Normal quantile", ylabel="Residual (mm)")
        sd = float(down.std(ddof=1))
        ends = np.array([expected.min(), expected.max()])
        axes.plot(ends, sd * ends, color=INK, linewidth=0.5, linestyle="--")
        _scatter(axes, expected, ordered, DATA)

    caption = "residuals against fitted values; a fan or a curve would speak against the model."
    yield caption, against_fitted
    caption = (
        "residuals against normal quantiles; the dashed line is that of a normal distribution."
    )
    yield caption, against_normal


def figure_of(draw: Draw) -> Figure:
    """Draw a plot on a figure as wide as a journal's column.

    Examples
    --------
    >>> figure_of(lambda figure: None).axes
    [<Axes: >]
    """
    with paper_style():
        figure = Figure(figsize=(COLUMN_WIDTH_IN, 0.75 * COLUMN_WIDTH_IN), layout="constrained")
        draw(figure.add_subplot())
    return figure


@lru_cache(maxsize=256)
def drawn(draw: Draw, kind: Literal["svg", "pdf"]) -> bytes:
    """Draw a plot as a vector file, the same bytes each time, once for all that show it."""
    stream = io.BytesIO()
    date = {"svg": "Date", "pdf": "CreationDate"}[kind]
    with paper_style():
        figure_of(draw).savefig(stream, format=kind, metadata={date: None})
    return stream.getvalue()


def paper_style() -> AbstractContextManager[None]:
    """Set the look of every plot: text stays text, and the same plot gives the same bytes."""
    return mpl.rc_context(
        {
            "font.size": 8.0,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.edgecolor": INK,
            "svg.fonttype": "none",
            "svg.hashsalt": "meniscal-measure",
            "pdf.fonttype": 42,
        }
    )


def _scatter(axes: Axes, x: ArrayLike, y: ArrayLike, colour: str, *, marker: str = "o") -> None:
    across = np.asarray(x, dtype=np.float64)
    if across.size > MANY_POINTS:
        shades = LinearSegmentedColormap.from_list(colour, ["#e8e8e8", colour, INK])
        axes.hexbin(across, np.asarray(y), gridsize=HEXAGONS, mincnt=1, bins="log", cmap=shades)
        axes.set_title("the darker a hexagon, the more of them", fontsize=6.5, loc="left")
        return
    axes.scatter(
        across,
        np.asarray(y, dtype=np.float64),
        s=9,
        marker=marker,
        facecolors="none",
        edgecolors=colour,
        linewidths=0.7,
    )


def _level(axes: Axes, estimate: Estimate, name: str, style: str) -> None:
    """Draw a horizontal line with its interval as a band and its value at the right edge."""
    axes.axhline(estimate.value, color=INK, linewidth=0.9, linestyle=style)
    if estimate.low is not None and estimate.high is not None:
        axes.axhspan(estimate.low, estimate.high, color=INK, alpha=0.08, linewidth=0)
    _at_right_edge(axes, estimate.value, f"{name}\n{estimate.value:.2f}")


def _at_right_edge(axes: Axes, level: float, text: str) -> None:
    axes.annotate(
        text,
        (1.01, level),
        xycoords=("axes fraction", "data"),
        fontsize=7,
        va="center",
        annotation_clip=False,
    )

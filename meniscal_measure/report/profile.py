"""Extrusion along the slices, with intervals and the threshold."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import Extrusion, Reading
from meniscal_measure.geometry import PixelGrid, orientation_letters
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Region, blank, quiet_axes
from meniscal_measure.report.fonts import FONT
from meniscal_measure.report.ink import halo, ink_for

LABEL_ROOM = 0.09
"""Ends of curves closer than this fraction of the axis have their names moved apart."""

Curve = list[tuple[float, Extrusion]]
"""Distance from the measured slice (mm) and extrusion, in geometric order."""

WIDTH_IN, HEIGHT_IN = 7.4, 4.1

OFFSET_MM = 0.12
"""The two compartments are drawn this far apart, so that their intervals do not hide each other."""


def profile_figure(reading: Reading, grid: PixelGrid) -> Figure:
    """Draw extrusion against slice position, without any patient identifier.

    The normal of `grid`, the plane of the measured slice, gives the direction of the horizontal
    axis.
    """
    region = blank(WIDTH_IN, HEIGHT_IN)
    inner = region.part(0.12, 0.12, WIDTH_IN - 0.24, HEIGHT_IN - 0.24)
    inner.text(0, 0, "Meniscal extrusion along the slices", size=11, weight="bold")
    inner.text(0, 0.2, words.side_words(reading), size=7.5)
    draw_profile(inner.part(0, 0.4, inner.width_in, 2.65), reading, grid)
    inner.wrapped(0, 3.12, words.foot_words(reading), size=6.5)
    return region.figure


def draw_profile(region: Region, reading: Reading, grid: PixelGrid) -> None:
    """Draw the curve into a region of a page."""
    left_in, above_in, below_in, right_in = 0.5, 0.22, 0.42, 0.95
    flagged = words.threshold_words(reading.conventions)
    key = f"▼ flagged {flagged}    ○ not flagged    bars: 95 % interval, dashed when undecided"
    region.text(left_in, 0, key, size=7)
    width_in = region.width_in - left_in - right_in
    height_in = region.height_in - above_in - below_in
    axes = region.part(left_in, above_in, width_in, height_in).axes()
    axes.set_gid("profile")
    shown = reading.named_compartments
    for number, compartment in enumerate(shown):
        _draw_curve(axes, reading, compartment, first=number == 0)
    _draw_measured_slice(axes, reading)
    _draw_threshold(axes, reading)
    _label(axes, grid)
    _name_curves(axes, {name: curve for name in shown if (curve := _curve(reading, name))})


def _curve(reading: Reading, compartment: Compartment) -> Curve:
    slices = sorted((reading.measured, *reading.neighbours), key=lambda part: part.position_mm)
    return [
        (part.position_mm - reading.measured.position_mm, found.extrusion)
        for part in slices
        if (found := part.compartments.get(compartment)) is not None
    ]


def _draw_curve(axes: Axes, reading: Reading, compartment: Compartment, *, first: bool) -> None:
    curve = _curve(reading, compartment)
    if not curve:
        return
    shift = -OFFSET_MM if first else OFFSET_MM
    x = [position + shift for position, _ in curve]
    y = [extrusion.extrusion_mm for _, extrusion in curve]
    line = axes.plot(x, y, color="0.35", lw=1.1, ls="-" if first else ":", zorder=2)[0]
    line.set_gid(f"{compartment.value}-curve")
    for position, (_, extrusion) in zip(x, curve, strict=True):
        _draw_point(axes, position, extrusion)


def _name_curves(axes: Axes, curves: dict[Compartment, Curve]) -> None:
    """Write the compartments' names at the ends of their curves, apart where the ends meet."""
    ends = sorted((curve[-1][1].extrusion_mm, name) for name, curve in curves.items())
    bottom, top = axes.get_ylim()
    close = len(ends) == 2 and ends[1][0] - ends[0][0] < LABEL_ROOM * (top - bottom)
    for (y, name), shift_pt in zip(ends, (-6, 6) if close else (0, 0), strict=False):
        axes.annotate(
            name.words, (curves[name][-1][0] + OFFSET_MM, y), (9, shift_pt),
            textcoords="offset points", va="center", size=8, family=FONT, weight="bold",
            path_effects=halo("white", width_pt=3.0),
        )  # fmt: skip


def _draw_point(axes: Axes, x: float, extrusion: Extrusion) -> None:
    ink = ink_for(extrusion)
    axes.plot(
        [x, x], extrusion.interval95_mm, color=ink.on_paper, lw=min(ink.weight_pt, 1.7),
        ls=ink.dashes, marker="_", ms=5, zorder=3,
    )  # fmt: skip
    axes.plot(x, extrusion.extrusion_mm, ls="", zorder=4, **ink.marker(ink.on_paper))


def _draw_measured_slice(axes: Axes, reading: Reading) -> None:
    band = axes.axvspan(-0.45, 0.45, color="0.9", zorder=0)
    band.set_gid("measured-slice")
    axes.annotate(
        f"measured: {words.short_slice_words(reading, reading.measured.slice_index)}",
        (0, 1), (0, -3), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
        ha="center", va="top", size=7, family=FONT,
    )  # fmt: skip


def _draw_threshold(axes: Axes, reading: Reading) -> None:
    limit_mm = reading.conventions.threshold_mm
    line = axes.axhline(limit_mm, color="black", lw=1.2, ls=(0, (6, 3)), zorder=1)
    line.set_gid("threshold")
    axes.annotate(
        f"threshold {limit_mm:g} mm", (1, limit_mm), (5, 0), xycoords=axes.get_yaxis_transform(),
        textcoords="offset points", va="center", size=7, family=FONT,
    )  # fmt: skip


def _label(axes: Axes, grid: PixelGrid) -> None:
    low, high = axes.get_xlim()
    axes.set_xlim(min(low, -4.0), max(high, 4.0) + 0.16 * (max(high, 4.0) - min(low, -4.0)))
    bottom, top = axes.get_ylim()
    axes.set_ylim(min(bottom, -0.5), top + 0.12 * (top - bottom))
    towards = orientation_letters(grid.normal)
    axes.set_xlabel(
        f"distance from the measured slice, mm (towards {towards})", size=8, family=FONT
    )
    axes.set_ylabel("extrusion, mm", size=8, family=FONT)
    axes.set_axisbelow(True)  # the threshold lies over the grid line of the same value
    quiet_axes(axes, label_pt=7.5)

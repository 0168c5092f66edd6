"""Baseline and follow-up side by side at equal scale, and their curves along the body."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import SliceReading
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import FollowedExtrusion, FollowUp
from meniscal_measure.knee.quantity import COVERAGE_FACTOR, Visit
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Region, blank, quiet_axes
from meniscal_measure.report.fonts import FONT
from meniscal_measure.report.marks import Marks, slice_marks
from meniscal_measure.report.panel import (
    draw_marks,
    draw_orientation,
    draw_scale_bar,
    look_at,
    show_slice,
)
from meniscal_measure.report.view import View, joint_view, view_around

WIDTH_IN, HEIGHT_IN, BORDER_IN, GAP_IN = 7.4, 6.95, 0.12, 0.1
IMAGE_TOP_IN, IMAGE_HEIGHT_IN = 0.7, 2.75
CURVES_TOP_IN, CURVES_HEIGHT_IN = 3.75, 1.75

STYLE: dict[Visit, dict[str, Any]] = {
    Visit.BASELINE: {"marker": "o", "markerfacecolor": "white", "ls": "--", "color": "0.35"},
    Visit.FOLLOW_UP: {"marker": "s", "ls": "-", "color": "black"},
}
"""Of the curves; told apart by shape and fill, not by colour."""


@dataclass(frozen=True, eq=False)
class _Panel:
    """One examination: its slice, and the marks where that slice was measured."""

    visit: Visit
    examination: KneeExamination
    index: int

    @property
    def grid(self) -> PixelGrid:
        return self.examination.stack.frames[self.index].grid

    @property
    def measured(self) -> SliceReading | None:
        for part in self.examination.slices:
            if part.slice_index == self.index:
                return part
        return None

    @property
    def marks(self) -> dict[Compartment, Marks]:
        return {} if self.measured is None else slice_marks(self.measured, self.grid)


def follow_up_figure(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> Figure:
    """Draw the same slice of the bone at both examinations, without any patient identifier."""
    whole = blank(WIDTH_IN, HEIGHT_IN)
    region = whole.part(BORDER_IN, BORDER_IN, WIDTH_IN - 2 * BORDER_IN, HEIGHT_IN - 2 * BORDER_IN)
    panels = [
        _Panel(visit, examination, found.compared[visit])
        for visit, examination in ((Visit.BASELINE, baseline), (Visit.FOLLOW_UP, follow_up))
    ]
    _draw_head(region, found, baseline)
    width_in = (region.width_in - GAP_IN) / 2
    frames = [
        region.part(number * (width_in + GAP_IN), IMAGE_TOP_IN, width_in, IMAGE_HEIGHT_IN)
        for number in (0, 1)
    ]
    ratio = IMAGE_HEIGHT_IN / width_in
    views = _equal([joint_view(list(p.marks.values()), p.grid, ratio=ratio) for p in panels])
    for panel, frame, view in zip(panels, frames, views, strict=True):
        _draw_panel(region, panel, frame, view)
    for number, (name, one) in enumerate(found.compartments.items()):
        place = region.part(number * (width_in + GAP_IN), CURVES_TOP_IN, width_in, CURVES_HEIGHT_IN)
        _draw_curves(place, name, one)
    below_in = CURVES_TOP_IN + CURVES_HEIGHT_IN + 0.1
    for panel in panels:
        if warned := words.warning_words(panel.examination.reading):
            said = f"{panel.visit.words}: {warned}"
            below_in = region.wrapped(0, below_in, said, size=6.5, weight="bold")
    region.wrapped(0, below_in, _foot(found, baseline), size=6.5)
    return whole.figure


def _draw_head(region: Region, found: FollowUp, baseline: KneeExamination) -> None:
    region.text(0, 0, "Follow-up: the same slice of the bone", size=11, weight="bold")
    knee = words.knee_words(baseline.reading)
    region.text(region.width_in, 0, knee, ha="right", size=11, weight="bold")
    lines = [
        f"{name.words}: change {one.change.value:+.2f} ± {_half(one):.2f} mm, {one.change.verdict}"
        for name, one in found.compartments.items()
    ]
    region.lines(0, 0.22, lines, size=8)


def _half(one: FollowedExtrusion) -> float:
    low, high = one.change.interval95
    return (high - low) / 2


def _equal(views: list[View]) -> list[View]:
    """Show as many millimetres of both, about the middle of each."""
    width_mm = max(view.width_mm for view in views)
    grown = []
    for view in views:
        x, y = (view.left_mm + view.right_mm) / 2, (view.top_mm + view.bottom_mm) / 2
        ratio = (view.bottom_mm - view.top_mm) / view.width_mm
        grown.append(view_around((x, y), width_mm, ratio))
    return grown


def _draw_panel(region: Region, panel: _Panel, frame: Region, view: View) -> None:
    axes = frame.axes()
    axes.set_gid(f"{panel.visit.value}-slice")
    show_slice(axes, panel.examination.pixels[panel.index], panel.grid)
    look_at(axes, view)
    if panel.measured is not None:
        for name, marks in panel.marks.items():
            draw_marks(axes, panel.measured.compartments[name], marks)
    draw_orientation(axes, panel.grid)
    draw_scale_bar(axes, view)
    reading = panel.examination.reading
    status = "" if reading.verified else ", NOT VERIFIED"
    title = f"{panel.visit.words}, {words.short_slice_words(reading, panel.index)}{status}"
    y_in = frame.top_in - region.top_in - 0.17
    region.text(frame.left_in - region.left_in, y_in, title, size=7.5, weight="bold")


def _draw_curves(place: Region, name: Compartment, one: FollowedExtrusion) -> None:
    place.text(0.4, 0, f"{name.words} extrusion, mm", size=7.5)
    axes = place.part(0.4, 0.17, place.width_in - 0.5, place.height_in - 0.55).axes()
    axes.set_gid(f"{name.value}-curves")
    for visit, curve in one.curves.items():
        x = [point.behind_mm for point in curve]
        y = np.array([point.extrusion_mm for point in curve])
        error = [COVERAGE_FACTOR * point.u_mm for point in curve]
        axes.errorbar(x, y, error, label=visit.words, lw=1.1, ms=4, elinewidth=0.7, **STYLE[visit])
    _label(axes)


def _label(axes: Axes) -> None:
    axes.axvline(0.0, color="0.8", lw=4, zorder=0)
    axes.margins(y=0.15)
    axes.set_xlabel("behind the compared slice, mm", size=7.5, family=FONT)
    quiet_axes(axes, label_pt=7)
    axes.legend(
        frameon=False, prop={"family": FONT, "size": 7}, loc="lower right",
        bbox_to_anchor=(1.0, 0.98), ncols=2, borderpad=0.0,
    )  # fmt: skip


def _foot(found: FollowUp, baseline: KneeExamination) -> str:
    error = found.registration
    change = next(iter(found.compartments.values())).change if found.compartments else None
    limit = "" if change is None else f" Smallest detectable change {change.detectable:.2f} mm."
    between = "" if found.days is None else f" {found.days} days between the examinations."
    return (
        f"Same place found by rigid registration of the tibia (error {error.error_mm:.1f} mm,"
        f" {error.error_deg:.1f}°); the follow-up's slice lies {abs(found.offset_mm):.1f} mm from"
        f" it, turned by {found.tilt_deg:.0f}°. Both at equal scale; bars are 95 % intervals"
        f" without the choice of slice.{limit}{between}"
        f" Conventions: {words.convention_words(baseline.reading)}. {NOTICE}"
    )

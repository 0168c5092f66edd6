"""The figure: the measured slice with rim lines, calipers and values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import ConnectionPatch

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Region, blank, line_height_in, wrap
from meniscal_measure.report.card import draw_card
from meniscal_measure.report.images import PixelArray, SeriesImages
from meniscal_measure.report.ink import halo
from meniscal_measure.report.marks import Marks, plane_extent_mm, slice_marks
from meniscal_measure.report.panel import (
    draw_landmarks,
    draw_marks,
    draw_orientation,
    draw_scale_bar,
    look_at,
    outline_view,
    show_slice,
)
from meniscal_measure.report.view import View, detail_view, joint_view

WIDTH_IN, LEAST_HEIGHT_IN = 7.4, 7.1
"""Size of the figure; it fits the width of an A4 page at the size it was drawn for. A long foot
makes it higher."""

BORDER_IN = 0.12
"""Margin around it."""
INNER_WIDTH_IN = WIDTH_IN - 2 * BORDER_IN

COLUMN_IN, GAP_IN = 1.7, 0.08
IMAGE_TOP_IN, IMAGE_HEIGHT_IN = 0.62, 3.35
CARD_TOP_IN = 1.1
"""Below the top of the image, so that the value is at the height of the joint line."""
DETAIL_TOP_IN, DETAIL_HEIGHT_IN, CAPTION_IN = 4.05, 1.72, 0.17
FOOT_TOP_IN, FOOT_PT = 6.03, 6.5
KEY_ROW_IN = 0.17


@dataclass(frozen=True, eq=False)
class _Scene:
    """What is drawn: the reading, its slice, and where its marks lie."""

    reading: Reading
    pixels: PixelArray
    grid: PixelGrid
    marks: dict[Compartment, Marks]


def slice_figure(reading: Reading, images: SeriesImages) -> Figure:
    """Draw the measured slice with its marks and values, without any patient identifier."""
    warnings, foot = _foot_lines(reading)
    needed_in = FOOT_TOP_IN + (len(warnings) + len(foot)) * line_height_in(FOOT_PT)
    height_in = max(LEAST_HEIGHT_IN, needed_in + 2 * BORDER_IN)
    page = blank(WIDTH_IN, height_in)
    region = page.part(BORDER_IN, BORDER_IN, INNER_WIDTH_IN, height_in - 2 * BORDER_IN)
    index = reading.measured.slice_index
    grid = images.grids[index]
    scene = _Scene(reading, images.pixels[index], grid, slice_marks(reading.measured, grid))
    _draw_head(region, reading)
    main = _draw_image(region, scene)
    width_in = (region.width_in - GAP_IN) / 2
    for compartment, x_in in zip(_sides(scene), (0.0, width_in + GAP_IN), strict=True):
        _draw_column(region, scene, main, compartment)
        place = region.part(x_in, DETAIL_TOP_IN, width_in, DETAIL_HEIGHT_IN)
        _draw_detail(place, scene, compartment)
    below_in = region.lines(0, FOOT_TOP_IN, warnings, size=FOOT_PT, weight="bold")
    region.lines(0, below_in, foot, size=FOOT_PT)
    return page.figure


def _sides(scene: _Scene) -> tuple[Compartment, Compartment]:
    """Compartments on the left and on the right of the image."""
    first, second = scene.reading.named_compartments
    first_is_left = (
        scene.marks[first].on_image_left
        if first in scene.marks
        else second not in scene.marks or not scene.marks[second].on_image_left
    )
    return (first, second) if first_is_left else (second, first)


def _draw_head(region: Region, reading: Reading) -> None:
    region.text(0, 0, "Meniscal extrusion, coronal slice", size=11, weight="bold")
    knee = words.knee_words(reading)
    region.text(region.width_in, 0, knee, ha="right", size=11, weight="bold")
    band = region.part(0, 0.26, region.width_in, 0.24)
    unverified = not reading.verified
    band.box(facecolor="black" if unverified else "white", edgecolor="black", lw=0.7)
    band.text(
        band.width_in / 2, 0.12, words.status_words(reading), ha="center", va="center_baseline",
        color="white" if unverified else "black", weight="bold", size=8,
    )  # fmt: skip


def _draw_image(region: Region, scene: _Scene) -> Axes:
    left_in = COLUMN_IN + GAP_IN
    frame = region.part(left_in, IMAGE_TOP_IN, region.width_in - 2 * left_in, IMAGE_HEIGHT_IN)
    ratio = frame.height_in / frame.width_in
    view = joint_view(list(scene.marks.values()), scene.grid, ratio=ratio)
    axes = frame.axes()
    axes.set_gid("slice")
    show_slice(axes, scene.pixels, scene.grid)
    look_at(axes, view)
    _mark(axes, scene, *scene.marks)
    draw_orientation(axes, scene.grid)
    draw_scale_bar(axes, view)
    _draw_locator(region.part(0, IMAGE_TOP_IN, COLUMN_IN, CARD_TOP_IN - GAP_IN), scene, view)
    return axes


def _mark(axes: Axes, scene: _Scene, *compartments: Compartment) -> None:
    for name in compartments:
        draw_marks(axes, scene.reading.measured.compartments[name], scene.marks[name])


def _draw_locator(place: Region, scene: _Scene, view: View) -> None:
    left, right, bottom, top = plane_extent_mm(scene.grid)
    scale = min(place.width_in / (right - left), place.height_in / (bottom - top))
    axes = place.part(0, 0, scale * (right - left), scale * (bottom - top)).axes()
    axes.set_gid("locator")
    show_slice(axes, scene.pixels, scene.grid)
    outline_view(axes, view)


def _draw_column(region: Region, scene: _Scene, main: Axes, compartment: Compartment) -> None:
    on_left = compartment is _sides(scene)[0]
    x_in = 0.0 if on_left else region.width_in - COLUMN_IN
    column = region.part(x_in, IMAGE_TOP_IN, COLUMN_IN, IMAGE_HEIGHT_IN)
    place = column.part(0, CARD_TOP_IN, COLUMN_IN, IMAGE_HEIGHT_IN - CARD_TOP_IN)
    measured = scene.reading.measured.compartments.get(compartment)
    leader_y_in = draw_card(place, compartment, measured, scene.reading.conventions)
    if measured is not None:
        edge_in = COLUMN_IN if on_left else 0.0
        _draw_leader(place.at(edge_in, leader_y_in), main, scene.marks[compartment])
    if not on_left:
        _draw_key(column)


def _draw_leader(end: tuple[float, float], main: Axes, marks: Marks) -> None:
    figure = main.get_figure(root=True)
    assert figure is not None
    leader = ConnectionPatch(
        tuple(marks.flag_point), end, main.transData, figure.transFigure, lw=0.8, shrinkA=4,
        color="black", path_effects=halo("white", width_pt=2.0), zorder=5,
    )  # fmt: skip
    figure.add_artist(leader)


def _draw_key(column: Region) -> None:
    """Explain the marks, on paper, with the weights and fills they have on the slice."""
    flagged = {"lw": 2.2, "marker": "v", "ms": 7}
    free = {"lw": 1.0, "marker": "o", "ms": 4, "markerfacecolor": "white"}
    rows: tuple[tuple[str, dict[str, Any]], ...] = (
        ("plateau rim, outer edge", {"lw": 0.7}),
        ("caliper, flagged", {**flagged, "markevery": [1]}),
        ("caliper, not flagged", {**free, "markevery": [1]}),
        ("undecided: dashed", {"lw": 1.6, "ls": "--"}),
    )
    for number, (label, style) in enumerate(rows):
        row = column.part(0, KEY_ROW_IN * number, column.width_in, KEY_ROW_IN)
        ends = np.array([row.at(0.03, KEY_ROW_IN / 2), row.at(0.33, KEY_ROW_IN / 2)])
        line = Line2D(*ends.T, transform=row.figure.transFigure, color="black", **style)
        row.figure.add_artist(line)
        row.text(0.42, KEY_ROW_IN / 2, label, size=6.5, va="center_baseline")


def _draw_detail(place: Region, scene: _Scene, compartment: Compartment) -> None:
    measured = scene.reading.measured.compartments.get(compartment)
    value = words.NOT_MEASURED if measured is None else words.value_words(measured.extrusion)
    place.text(0, 0, f"{compartment.words}, enlarged: {value}", size=7.5)
    frame = place.part(0, CAPTION_IN, place.width_in, place.height_in)
    if measured is None:
        frame.box(fill=False, edgecolor="black", lw=0.7, ls=":")
        return
    view = detail_view(scene.marks[compartment], ratio=frame.height_in / frame.width_in)
    axes = frame.axes()
    axes.set_gid(f"{compartment.value}-detail")
    show_slice(axes, scene.pixels, scene.grid)
    look_at(axes, view)
    _mark(axes, scene, compartment)
    draw_landmarks(axes, measured, scene.marks[compartment])
    draw_scale_bar(axes, view)


def _foot_lines(reading: Reading) -> tuple[list[str], list[str]]:
    """Give the lines of the warnings, and those below them."""
    source, warned = reading.source, words.warning_words(reading)
    pixel = f"pixel {source.row_spacing_mm:.4g} × {source.column_spacing_mm:.4g} mm (row × column)"
    said = (
        f"{words.slice_words(reading)}; {pixel}; {words.side_words(reading)}",
        f"Conventions: {words.convention_words(reading)}. {words.values_note(reading)}",
        NOTICE,
    )
    foot = [line for one in said for line in wrap(one, INNER_WIDTH_IN, FOOT_PT)]
    return wrap(warned, INNER_WIDTH_IN, FOOT_PT, bold=True) if warned else [], foot

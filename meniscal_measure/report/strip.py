"""A strip of neighbouring slices: where the measured one lies and what its neighbours show."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from meniscal_measure.caliper.reading import Reading, SliceReading
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Region, blank
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.marks import slice_marks
from meniscal_measure.report.panel import draw_marks, look_at, show_slice
from meniscal_measure.report.view import View, joint_view

REACH = 2
"""Slices shown on each side of the measured one, marked or not; more would be too small to read."""

COLUMNS = 2 * REACH + 1
"""Slices side by side in the strip."""

WIDTH_IN, RATIO, HEAD_IN, FOOT_IN, GAP_IN = 7.4, 0.72, 0.17, 0.42, 0.07


def strip_figure(reading: Reading, images: SeriesImages) -> Figure:
    """Draw the measured slice between its neighbours, without any patient identifier."""
    margin, foot_in = 0.12, 0.75
    width_in = WIDTH_IN - 2 * margin
    height_in = strip_height_in(width_in)
    region = blank(WIDTH_IN, height_in + foot_in + 2 * margin)
    inner = region.part(margin, margin, width_in, height_in + foot_in)
    draw_strip(inner, reading, images)
    inner.wrapped(0, height_in + 0.04, words.foot_words(reading), size=6.5)
    return region.figure


def strip_height_in(width_in: float) -> float:
    """Height that the strip takes at this width.

    Examples
    --------
    >>> round(strip_height_in(7.2), 2)
    1.59
    """
    return HEAD_IN + RATIO * (_pitch_in(width_in) - GAP_IN) + FOOT_IN


def strip_indices(reading: Reading) -> list[int]:
    """Slices shown: the measured one and those next to it, as far as there are any.

    Examples
    --------
    >>> strip_indices(reading)
    [1, 2, 3, 4, 5]
    """
    centre, last = reading.measured.slice_index, reading.source.slice_count - 1
    return list(range(max(0, centre - REACH), min(last, centre + REACH) + 1))


def draw_strip(region: Region, reading: Reading, images: SeriesImages) -> None:
    """Draw the strip into a region of a page."""
    pitch_in = _pitch_in(region.width_in)
    grid = images.grids[reading.measured.slice_index]
    marks = list(slice_marks(reading.measured, grid).values())
    view = joint_view(marks, grid, ratio=RATIO)  # the same part of every slice, to compare them
    for number, index in enumerate(strip_indices(reading)):
        cell = region.part(
            number * pitch_in, 0, pitch_in - GAP_IN, strip_height_in(region.width_in)
        )
        _draw_cell(cell, reading, images, index, view)


def _pitch_in(width_in: float) -> float:
    return (width_in + GAP_IN) / COLUMNS


def _draw_cell(
    cell: Region, reading: Reading, images: SeriesImages, index: int, view: View
) -> None:
    slices = {part.slice_index: part for part in (reading.measured, *reading.neighbours)}
    measured = slices.get(index)
    is_measured = index == reading.measured.slice_index
    axes = cell.part(0, HEAD_IN, cell.width_in, RATIO * cell.width_in).axes()
    axes.set_gid(f"slice-{index}")
    _show(axes, images, index)
    look_at(axes, view)
    if measured is not None:
        for name, marks in slice_marks(measured, images.grids[index]).items():
            draw_marks(axes, measured.compartments[name], marks, scale=0.5)
    for spine in axes.spines.values():
        spine.set_linewidth(2.6 if is_measured else 0.6)
    title = words.short_slice_words(reading, index)
    cell.text(0, 0, title, size=7, weight="bold" if is_measured else "normal")
    below_in = HEAD_IN + RATIO * cell.width_in + 0.05
    head = ["measured slice"] if is_measured else []
    cell.lines(0, below_in, head + _cell_lines(reading, measured), size=6)


def _show(axes: Axes, images: SeriesImages, index: int) -> None:
    """Draw the slice, or an empty frame where its image could not be read."""
    pixels = images.pixels.get(index)
    if pixels is None:
        axes.text(0.5, 0.8, "image not read", transform=axes.transAxes, ha="center", size=7)
        axes.set(xticks=[], yticks=[], aspect="equal")
        return
    show_slice(axes, pixels, images.grids[index])


def _cell_lines(reading: Reading, measured: SliceReading | None) -> list[str]:
    if measured is None:
        return ["no landmarks placed"]
    lines = []
    for name in reading.named_compartments:
        found, value = measured.compartments.get(name), words.NOT_MEASURED
        if found is not None:
            flag = " ▼" if found.extrusion.flag else ""
            value = f"{words.value_words(found.extrusion)}{flag}"
        lines.append(f"{name.words} {value}")
    return lines

"""Slices of a case with its landmarks and predicted centres drawn on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.canvas import Region, blank
from meniscal_measure.report.fonts import FONT
from meniscal_measure.report.ink import halo
from meniscal_measure.report.panel import draw_orientation, draw_scale_bar, look_at, show_slice
from meniscal_measure.report.view import View, view_around

WIDTH_MM = 62.0
"""Width shown of a slice: one compartment with its surroundings."""

CAPTION_IN, GAP_IN, PICTURE_IN = 0.32, 0.1, 4.6

MOST_SHOWN = 3
"""Slices of the figure."""

LABEL_PT, LETTER_PT, LINE_PT = 5.5, 3.2, 6.5
"""Size of a label, and about the width of a letter and the height of a line of it."""

LIFTS_PT = (3.0, -8.0, 10.0, -15.0, 17.0, -22.0, 24.0, -29.0)
"""How far above its cross a label may stand, the best first."""

FAR_PT = LIFTS_PT[2:]
"""Lifts of labels so far from their crosses that a line leads there."""

DASHES = ((0, ()), (0, (4, 2)), (0, (1, 1.5)))
"""Outlines of sources that disagree differ in their dashes."""

COLOURS = ("#ffd166", "#7fd1ff", "#f4a6c6")


@dataclass(frozen=True)
class PictureMark:
    """A landmark drawn as a cross with its name."""

    label: str
    pixel: tuple[float, float]


@dataclass(frozen=True, eq=False)
class PictureOutline:
    """A predicted centre with the outline of its 95 % region."""

    label: str
    pixel: tuple[float, float]
    outline_px: FloatArray | None
    """None where the series does not say how its specimens spread."""
    number: int


@dataclass(frozen=True, eq=False)
class CasePicture:
    """One slice to be shown."""

    where: TracedSlice
    image: NDArray[np.float32]
    grid: PixelGrid
    marks: tuple[PictureMark, ...]
    outlines: tuple[PictureOutline, ...]

    @property
    def caption(self) -> str:
        """Name the slice, and whose centres are drawn."""
        drawn = "; ".join(f"centre after {outline.label}" for outline in self.outlines)
        return f"{self.where}{f': {drawn}' if drawn else ''}"

    def figure(self) -> Figure:
        """Draw the slice by itself."""
        region = blank(PICTURE_IN, PICTURE_IN)
        draw_picture(region, self)
        return region.figure


def case_figure(pictures: Sequence[CasePicture], title: str = "") -> Figure:
    """Draw up to three slices side by side, for a talk or paper; without a title for the sheet."""
    shown = chosen(pictures)
    side_in = min((7.3 - GAP_IN * (len(shown) - 1)) / max(len(shown), 1), 3.0)
    top_in = 0.24 if title else 0.0
    region = blank(7.3, top_in + side_in + CAPTION_IN + (0.36 if title else 0.02))
    region.text(0, 0.02, title, size=9, weight="bold")
    for number, picture in enumerate(shown):
        left_in = number * (side_in + GAP_IN)
        draw_picture(region.part(left_in, top_in, side_in, side_in), picture)
        below = region.part(left_in, top_in + side_in + 0.03, side_in, CAPTION_IN)
        below.wrapped(0, 0, picture.caption, size=6.0)
    if title:
        foot = region.part(0, top_in + side_in + CAPTION_IN + 0.04, 7.3, 0.3)
        foot.wrapped(0, 0, NOTICE, size=6.0)
    return region.figure


def chosen(pictures: Sequence[CasePicture]) -> list[CasePicture]:
    """Choose what to show: every predicted centre, then one slice of each plane."""
    order = sorted(pictures, key=lambda p: (-len(p.outlines), -len(p.marks)))
    best: dict[object, CasePicture] = {}
    for picture in order:
        centres = tuple(outline.number for outline in picture.outlines)
        best.setdefault((picture.where.visit, picture.where.plane, centres), picture)
    shown = [picture for picture in best.values() if picture.outlines][:MOST_SHOWN]
    planes = {picture.where.plane for picture in shown}
    others = [picture for picture in best.values() if not picture.outlines]
    shown += sorted(others, key=lambda p: p.where.plane in planes)[: MOST_SHOWN - len(shown)]
    return sorted(shown, key=lambda p: (p.where.visit, p.where.plane, p.where.name.number))


def draw_picture(frame: Region, picture: CasePicture) -> None:
    """Draw a slice into a region, with its landmarks and predicted centres."""
    axes = frame.axes()
    show_slice(axes, picture.image, picture.grid)
    view = _view(picture, frame.height_in / frame.width_in)
    look_at(axes, view)
    spacing = np.array([picture.grid.column_spacing_mm, picture.grid.row_spacing_mm])
    for outline in picture.outlines:
        colour, dashes = (kinds[outline.number % 3] for kinds in (COLOURS, DASHES))
        style: dict[str, Any] = {"color": colour, "ls": dashes, "lw": 1.1}
        if outline.outline_px is not None:
            (line,) = axes.plot(*(outline.outline_px * spacing).T, **style)
            line.set_path_effects(halo(width_pt=2.0))
        axes.plot(*(np.array(outline.pixel) * spacing), ls="", marker="x", ms=5, mew=1.3,
                  color=colour)  # fmt: skip
    places = [np.array(mark.pixel) * spacing for mark in picture.marks]
    inward = [x > (view.left_mm + view.right_mm) / 2 for x, _ in places]
    scale = 72 * frame.width_in / (view.right_mm - view.left_mm)
    lifts_pt = label_lifts_pt(
        [(scale * x, -scale * y) for x, y in places],
        [(-1 if left else 1) * LETTER_PT * len(mark.label)
         for left, mark in zip(inward, picture.marks, strict=True)],
        [(scale * x, -scale * y)
         for x, y in (np.array(outline.pixel) * spacing for outline in picture.outlines)],
    )  # fmt: skip
    (crosses,) = axes.plot(*np.reshape(places, (-1, 2)).T, ls="", marker="+", ms=7, mew=1.0,
                           color="white")  # fmt: skip
    crosses.set_path_effects(halo(width_pt=2.2))
    for mark, (x, y), left, lift_pt in zip(picture.marks, places, inward, lifts_pt, strict=True):
        if lift_pt is None:
            continue
        leader = {"arrowstyle": "-", "color": "white", "lw": 0.6, "shrinkA": 0.5, "shrinkB": 3.0,
                  "relpos": (float(left), float(lift_pt < 0))}  # fmt: skip
        words = axes.annotate(mark.label, (x, y), (-4 if left else 4, lift_pt),
                              textcoords="offset points", ha="right" if left else "left",
                              size=LABEL_PT, color="white", family=FONT,
                              arrowprops=leader if lift_pt in FAR_PT else None)  # fmt: skip
        words.set_path_effects(halo(width_pt=1.6))
    draw_orientation(axes, picture.grid)
    draw_scale_bar(axes, view)


def label_lifts_pt(
    places_pt: Sequence[tuple[float, float]],
    widths_pt: Sequence[float],
    centres_pt: Sequence[tuple[float, float]] = (),
) -> list[float | None]:
    """Choose how far above its cross each label stands: not on a label, another cross or a centre.

    None where no place is free: the cross stands alone, as two names on each other say nothing.

    Parameters
    ----------
    places_pt
        Crosses, x to the right and y up.
    widths_pt
        Widths of the labels, negative for one that runs to the left.
    centres_pt
        What no label may hide either.

    Examples
    --------
    >>> label_lifts_pt([(0.0, 0.0), (5.0, 0.0), (90.0, 0.0)], [50.0, 50.0, 50.0])
    [10.0, -15.0, 3.0]
    """
    crosses = [(x - LINE_PT, x + LINE_PT, y - LINE_PT / 2) for x, y in (*places_pt, *centres_pt)]
    boxes = np.array([*crosses, *[(np.nan,) * 3] * len(places_pt)]).reshape(-1, 3)
    lifts: list[float | None] = []
    for number, ((x, y), width) in enumerate(zip(places_pt, widths_pt, strict=True)):
        left, right = min(x, x + width), max(x, x + width)
        low, high, level = boxes.T
        near = (low <= right) & (high >= left)
        near[number] = False  # its own cross
        free = (lift for lift in LIFTS_PT if np.all(np.abs(y + lift - level[near]) >= LINE_PT))
        lifts.append(next(free, None))
        if lifts[-1] is not None:
            boxes[len(crosses) + number] = left, right, y + lifts[-1]
    return lifts


def _view(picture: CasePicture, ratio: float) -> View:
    spacing = np.array([picture.grid.column_spacing_mm, picture.grid.row_spacing_mm])
    pixels = [m.pixel for m in picture.marks] + [o.pixel for o in picture.outlines]
    middle = ((picture.grid.columns - 1) / 2, (picture.grid.rows - 1) / 2)
    points = np.array(pixels or [middle]) * spacing
    low, high = points.min(axis=0), points.max(axis=0)
    return view_around((low + high) / 2, max(WIDTH_MM, float((high - low).max()) + 20), ratio)

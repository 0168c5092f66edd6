"""What part of a slice is shown: a rectangle around the joint with the shape of its frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.anatomy import Landmark
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.report.marks import Marks, plane_extent_mm

JOINT_MARGIN_MM = 15.0
"""Shown beyond the outermost landmarks: the collateral ligament and the skin."""

JOINT_WIDTH_MM = 85.0
"""Least width shown: a whole plateau even when one compartment was measured."""

PLATEAU_WIDTH_MM = 73.0
"""Usual distance between the rims of an adult knee (common practice, no source); only says how
much to show of a compartment that was not measured."""

DETAIL_WIDTH_MM = 30.0
"""Least width of the enlarged detail: a meniscal body and its surroundings."""

DETAIL_MARGIN_MM = 1.5
"""Shown around the lines in the enlarged detail."""

BODY_LANDMARKS = (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)
"""Landmarks that the enlarged detail must show; the spine base lies far from the body."""


@dataclass(frozen=True)
class View:
    """A rectangle in plane mm; `top_mm` is the smaller y."""

    left_mm: float
    right_mm: float
    top_mm: float
    bottom_mm: float

    @property
    def width_mm(self) -> float:
        """Width of the rectangle.

        Examples
        --------
        >>> View(10.0, 95.0, 5.0, 70.0).width_mm
        85.0
        """
        return self.right_mm - self.left_mm


def joint_view(marks: list[Marks], grid: PixelGrid, *, ratio: float) -> View:
    """Show the joint: all landmarks with a margin, or the middle of the image without marks.

    `ratio` is height over width of the frame.

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 300, 300)
    >>> joint_view([], grid, ratio=0.8).width_mm
    85.0
    """
    left, right, bottom, top = plane_extent_mm(grid)
    if not marks:
        centre = np.array([(left + right) / 2, (top + bottom) / 2])
        return _inside(view_around(centre, JOINT_WIDTH_MM, ratio), grid)
    points = [point for mark in marks for point in mark.points.values()]
    if len(marks) == 1:
        points.append(marks[0].points[Landmark.RIM] - PLATEAU_WIDTH_MM * marks[0].axis)
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    width = max(JOINT_WIDTH_MM, float(high[0] - low[0]) + 2 * JOINT_MARGIN_MM)
    return _inside(view_around((low + high) / 2, width, ratio), grid)


def detail_view(mark: Marks, *, ratio: float) -> View:
    """Show one meniscal body and its rim, enlarged, with all of the lines drawn on them.

    Examples
    --------
    >>> from meniscal_measure.report.marks import compartment_marks
    >>> detail_view(compartment_marks(reading.medial, images.grids[3]), ratio=1.0).width_mm
    30.0
    """
    body = [mark.points[name] for name in BODY_LANDMARKS if name in mark.points]
    points = np.vstack([mark.rim_line, mark.outer_line, *body])
    low, high = points.min(axis=0), points.max(axis=0)
    needed = high - low + 2 * DETAIL_MARGIN_MM
    width_mm = max(DETAIL_WIDTH_MM, float(needed[0]), float(needed[1]) / ratio)
    return view_around((low + high) / 2, width_mm, ratio)


def view_around(centre: ArrayLike, width_mm: float, ratio: float) -> View:
    """Show this width around a place; `ratio` is height over width of the frame.

    Examples
    --------
    >>> view_around((40.0, 30.0), 20.0, 0.5)
    View(left_mm=30.0, right_mm=50.0, top_mm=25.0, bottom_mm=35.0)
    """
    x, y = np.asarray(centre, dtype=np.float64).tolist()
    height_mm = width_mm * ratio
    return View(x - width_mm / 2, x + width_mm / 2, y - height_mm / 2, y + height_mm / 2)


def _inside(view: View, grid: PixelGrid) -> View:
    """Slide a view onto the image where the image is large enough to fill it."""
    left, right, bottom, top = plane_extent_mm(grid)
    x = _slide(view.left_mm, view.right_mm, left, right)
    y = _slide(view.top_mm, view.bottom_mm, top, bottom)
    return View(view.left_mm + x, view.right_mm + x, view.top_mm + y, view.bottom_mm + y)


def _slide(low: float, high: float, least: float, most: float) -> float:
    if high - low > most - least:
        return (least + most) / 2 - (low + high) / 2
    return max(least - low, 0.0) + min(most - high, 0.0)

"""Sub-pixel edges: a point set near an edge is moved onto it along the measuring direction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.caliper.blurred_step import (
    StepFit,
    WindowPixels,
    fit_step,
    strongest_step,
)
from meniscal_measure.errors import EdgeNotFoundError
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, as_vector, unit_vector

SEARCH_MM = 1.5
"""How far the edge may lie from the point, either way; a careful reader is well within it."""

WINDOW_HALF_LENGTH_MM = 2.0
"""Half-length of the fitted window along the measuring direction.

Long enough for the level parts on both sides of a blurred step, short enough to keep a second
edge out.
"""

WINDOW_HALF_WIDTH_MM = 0.75
"""Half-width of the window across the measuring direction.

The outer edge of a meniscus is convex with a radius of about 5 mm: a wider window would draw the
fitted straight edge inward by more than 0.02 mm.
"""

MIN_WINDOW_PX = (4.0, 1.5)
"""Smallest half-length and half-width of the window in pixels, for coarse images.

Half of the smallest window holds 12 pixels, more than twice the parameters of a step.
"""

MIN_CONTRAST_TO_NOISE = 4.0
"""Smallest step height, in standard deviations of the residuals, that counts as an edge.

Noise alone reaches it in about one window of 500, most of which `MAX_SD_PX` then refuses.
"""

MAX_SD_PX = 0.5
"""Largest standard deviation of a fitted position, in pixels; beyond it nothing was gained."""

MIN_DURBIN_WATSON = 1.0
"""Below it the residuals are correlated along the profile: the pixels are not a single step.

The statistic is 2 for independent residuals, with a standard deviation of about 0.3 for the 50
pixels of a usual window.
"""

CLEAR_CONTRAST_TO_NOISE = 20.0
"""From this contrast on, a systematic residual is too small to move the edge and is accepted."""

BLUR_PX = 0.6
"""Standard deviation of the point spread at the start of the search, in pixels."""

BLUR_RANGE_PX = (0.3, 2.0)
"""Limits of the fitted point spread, in pixels.

Below stands the spread of a pixel that averages over its own width, 1 / sqrt(12); a rise wider
than the upper limit is a slope and not an edge.
"""


@dataclass(frozen=True)
class RefinedEdge:
    """An edge found near a point."""

    point_mm: Vector
    """Where the measuring line through the start point crosses the edge, LPS mm."""
    sd_mm: float
    """Standard deviation of that position along the line, from the fit, mm."""
    shift_mm: float
    """How far the point was moved along the direction, mm."""
    slope: float
    """Obliquity of the edge: mm along the direction per mm across it."""
    blur_mm: float
    """Standard deviation of the Gaussian point spread that fits the step, mm."""
    contrast_to_noise: float
    """Height of the step over the standard deviation of the residuals."""


def refine_edge(
    image: ArrayLike,
    grid: PixelGrid,
    *,
    point_mm: ArrayLike,
    direction: ArrayLike,
    search_mm: float = SEARCH_MM,
) -> RefinedEdge:
    """Move a point onto the strongest edge that its measuring line crosses nearby.

    Parameters
    ----------
    image
        Pixel values, shape (rows, columns).
    grid
        The plane of the image.
    point_mm
        Start point, LPS mm.
    direction
        Measuring direction in the plane of the image, LPS.
    search_mm
        How far the edge may lie from the point, mm.

    Raises
    ------
    EdgeNotFoundError
        If the point is too near the border, the contrast too low, the edge beyond the search
        range or too blurred, or the pixels do not follow a single step. The message says which.

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 41, 41)
    >>> row = [10.0] * 22 + [50.0] + [90.0] * 18  # the edge lies on column 22
    >>> edge = refine_edge(np.tile(row, (41, 1)), grid, point_mm=grid.centre, direction=(1, 0, 0))
    >>> round(edge.shift_mm, 2)
    1.0
    """
    pixel_mm = math.sqrt(grid.row_spacing_mm * grid.column_spacing_mm)
    half_length_mm = max(WINDOW_HALF_LENGTH_MM, MIN_WINDOW_PX[0] * pixel_mm)
    half_width_mm = max(WINDOW_HALF_WIDTH_MM, MIN_WINDOW_PX[1] * pixel_mm)
    origin, unit = np.asarray(point_mm, dtype=np.float64), unit_vector(direction)
    reach_mm = (half_length_mm + search_mm, half_width_mm)
    pixels = _window(np.asarray(image, dtype=np.float64), grid, (origin, unit), reach_mm)
    if np.ptp(pixels.values) == 0:
        raise EdgeNotFoundError(_no_edge("all pixels near the point have the same value"))
    start = strongest_step(
        pixels, search_mm, half_length_mm=half_length_mm, blur_mm=BLUR_PX * pixel_mm
    )
    blur_range_mm = (BLUR_RANGE_PX[0] * pixel_mm, BLUR_RANGE_PX[1] * pixel_mm)
    fit = fit_step(pixels.near(start.position_mm, half_length_mm), start, blur_range_mm)
    check_fit(fit, search_mm=search_mm, pixel_mm=pixel_mm)
    return RefinedEdge(
        as_vector(origin + fit.step.position_mm * unit),
        fit.position_sd_mm,
        fit.step.position_mm,
        fit.step.slope,
        fit.step.blur_mm,
        fit.contrast_to_noise,
    )


def _window(
    image: FloatArray,
    grid: PixelGrid,
    line: tuple[FloatArray, FloatArray],
    reach_mm: tuple[float, float],
) -> WindowPixels:
    """Gather the pixels within reach of a point, along and across the direction."""
    origin, along = line
    across = np.cross(grid.normal, along)
    columns, rows = np.meshgrid(
        *(
            np.arange(max(0, math.floor(low)), min(size, math.ceil(high) + 1))
            for low, high, size in _bounds(grid, origin, math.hypot(*reach_mm))
        )
    )
    offsets = grid.to_patient(np.stack([columns, rows], axis=-1)) - origin
    along_mm, across_mm = offsets @ along, offsets @ across
    keep = (np.abs(along_mm) <= reach_mm[0]) & (np.abs(across_mm) <= reach_mm[1])
    values = image[rows[keep], columns[keep]]
    expected = 4 * reach_mm[0] * reach_mm[1] / (grid.row_spacing_mm * grid.column_spacing_mm)
    if values.size < expected / 2:
        raise EdgeNotFoundError(_no_edge("it lies too near the border of the image"))
    return WindowPixels(along_mm[keep], across_mm[keep], values)


def _bounds(
    grid: PixelGrid, origin: FloatArray, radius_mm: float
) -> tuple[tuple[float, float, int], tuple[float, float, int]]:
    """First and last pixel within a radius, and the size, for columns and rows."""
    column, row = (float(value) for value in grid.to_pixel(origin))
    wide, high = radius_mm / grid.column_spacing_mm, radius_mm / grid.row_spacing_mm
    return (column - wide, column + wide, grid.columns), (row - high, row + high, grid.rows)


def check_fit(fit: StepFit, *, search_mm: float, pixel_mm: float) -> None:
    """Refuse a fit that is not an edge; `pixel_mm` is the side of a square as large as a pixel.

    Raises
    ------
    EdgeNotFoundError
        With the reason.
    """
    if fit.contrast_to_noise < MIN_CONTRAST_TO_NOISE:
        raise EdgeNotFoundError(
            _no_edge(
                f"the contrast is only {fit.contrast_to_noise:.1f} times what noise and other"
                f" structures leave, less than {MIN_CONTRAST_TO_NOISE:.0f}"
            )
        )
    if abs(fit.step.position_mm) > search_mm:
        raise EdgeNotFoundError(_no_edge(f"the nearest one lies more than {search_mm:.2f} mm away"))
    if fit.step.blur_mm > 0.999 * BLUR_RANGE_PX[1] * pixel_mm:
        raise EdgeNotFoundError(_no_edge("the grey values rise too gradually"))
    if fit.position_sd_mm > MAX_SD_PX * pixel_mm:
        raise EdgeNotFoundError(_no_edge("its position is not determined by the pixels"))
    is_systematic = fit.durbin_watson < MIN_DURBIN_WATSON
    if is_systematic and fit.contrast_to_noise < CLEAR_CONTRAST_TO_NOISE:
        raise EdgeNotFoundError(_no_edge("the grey values do not follow a single step"))


def _no_edge(reason: str) -> str:
    return (
        f"No edge could be found at the point: {reason}. Place it nearer to the edge, or keep it"
        " as placed by hand."
    )

"""Images unlike those that the networks were trained on, by their pixels and grey values."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid

COARSEST_PIXEL_MM, WIDEST_SPACING_MM = 0.9, 5.5
"""Coarser pixels and slices farther apart are not among the training's."""
FEWEST_LEVELS = 48
"""Fewer different grey values are not among the training's; 8 bits have 256."""
MOST_CLIPPED = 0.05
"""A greater share of the signal at the brightest value shows an image windowed too hard."""
SIGNAL = 0.1
"""Part of the brightest value above which a pixel counts as signal."""


def unusual(
    grid: PixelGrid, spacing_mm: float | None, image: NDArray[np.generic]
) -> tuple[Finding, ...]:
    """Say what about a slice is unlike the images of the training.

    Parameters
    ----------
    grid
        Plane of the slice.
    spacing_mm
        Distance to the next slice; None where there is none.
    image
        Its grey values.
    """
    return (*_resolution(grid, spacing_mm), *_grey_values(image))


def _resolution(grid: PixelGrid, spacing_mm: float | None) -> Iterator[Finding]:
    pixel_mm = max(grid.row_spacing_mm, grid.column_spacing_mm)
    if pixel_mm > COARSEST_PIXEL_MM:
        yield Finding(Code.RESOLUTION_UNUSUAL, {"what": f"A pixel of {pixel_mm:.2f} mm"})
    if spacing_mm is not None and spacing_mm > WIDEST_SPACING_MM:
        what = f"A distance of {spacing_mm:.1f} mm between slices"
        yield Finding(Code.RESOLUTION_UNUSUAL, {"what": what})


def _grey_values(image: NDArray[np.generic]) -> Iterator[Finding]:
    values = image.astype(np.float64)
    brightest = float(values.max())
    levels = len(np.unique(values))
    if levels < FEWEST_LEVELS:
        yield Finding(Code.GREY_VALUES_UNUSUAL, {"what": f"only {levels} different ones"})
    signal = values[values > SIGNAL * brightest]
    clipped = float((signal >= brightest).mean()) if signal.size else 0.0
    if clipped > MOST_CLIPPED:
        share = f"{100 * clipped:.0f} % of the signal at the brightest one"
        yield Finding(Code.GREY_VALUES_UNUSUAL, {"what": share})

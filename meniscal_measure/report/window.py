"""A display window that is robust to single bright pixels and a large dark background."""

from __future__ import annotations

import numpy as np

from meniscal_measure.report.images import PixelArray

BACKGROUND_FRACTION = 0.06
"""Pixels below this fraction of the bright level count as air and are left out (common practice,
no source: air in magnitude images lies well below any tissue)."""

LOWER_PERCENTILE = 1.0
"""Foreground percentile shown as black."""

UPPER_PERCENTILE = 99.3
"""Foreground percentile shown as white: vessels and joint fluid may saturate, menisci may not."""


def display_window(pixels: PixelArray) -> tuple[float, float]:
    """Choose the grey values to be shown as black and white, the upper always above the lower.

    Values that are not finite are ignored.

    Examples
    --------
    >>> low, high = display_window(np.linspace(0, 1000, 1001))
    >>> bool(60 <= low < 80), bool(980 < high < 1000)
    (True, True)
    """
    values = np.asarray(pixels, dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return 0.0, 1.0
    floor, bright = np.percentile(values, [0.0, UPPER_PERCENTILE])
    foreground = values[values >= floor + BACKGROUND_FRACTION * (bright - floor)]
    low, high = np.percentile(foreground, [LOWER_PERCENTILE, UPPER_PERCENTILE])
    return (float(low), float(high)) if high > low else (float(low), float(low) + 1.0)

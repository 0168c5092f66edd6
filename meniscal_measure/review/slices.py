"""Slices as the page gets them: 16-bit grey values, so that windowing needs no server."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

MAX_CODE = 65535

HEADER = struct.Struct("<ddII")
"""Grey value of code 0, grey values per code, rows, columns; then the codes, little-endian."""


def encode_slice(image: NDArray[np.float32]) -> bytes:
    """Encode one slice.

    Parameters
    ----------
    image
        Grey values, shape (rows, columns). Values that are not finite are shown as the lowest.

    Returns
    -------
    bytes
        `HEADER` and one unsigned 16-bit code for each pixel, row by row. Whole grey values that
        span less than 65,536 are kept exactly; others to 1/65,535 of their span.
    """
    finite = np.isfinite(image)
    low = float(image[finite].min()) if finite.any() else 0.0
    values = np.where(finite, image, low).astype(np.float64)
    span = float(values.max()) - low
    is_whole = span <= MAX_CODE and bool(np.all(values == np.round(values)))
    step = 1.0 if is_whole or span == 0 else span / MAX_CODE
    codes = np.round((values - low) / step).astype("<u2")
    return HEADER.pack(low, step, *image.shape) + codes.tobytes()

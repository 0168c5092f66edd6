"""Signal and dark area of the posterior horn on sagittal slices: what supports a ghost sign."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.knee.named_landmarks import SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedQuantity

DISC_MM = 1.5
"""Radius of the disc over which signal is averaged: well inside a horn about 6 mm high."""

AREA_MM = 4.0
"""Radius within which dark area is counted: a horn, not the cortex above and below it."""

RING_MM = (5.0, 9.0)
"""Inner and outer radius of the surroundings that give the bright level: cartilage and fluid."""

Pixels = Mapping[int, NDArray[np.float32]]
"""Grey values `[row, column]` by slice index."""


@dataclass(frozen=True)
class HornSignal:
    """What the pixels of one slice show at the horn."""

    landmark: SpatialLandmark
    mean: float
    sd: float
    """Standard deviation over the disc."""
    count: int
    """Pixels of the disc."""
    dark_mm2: float


def disc_values(
    image: NDArray[np.float32], grid: PixelGrid, pixel: tuple[float, float], radius_mm: float
) -> FloatArray:
    """Take the grey values within a radius of a pixel, shape (count,).

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 1.0, 1.0, 3, 3)
    >>> disc_values(np.arange(9, dtype=np.float32).reshape(3, 3), grid, (1, 1), 1.0).tolist()
    [1.0, 3.0, 4.0, 5.0, 7.0]
    """
    return np.asarray(image[_distance_mm(image, grid, pixel) <= radius_mm], dtype=np.float64)


def horn_signals(horns: Sequence[SpatialLandmark], pixels: Pixels) -> list[HornSignal]:
    """Measure signal and dark area at each horn landmark, the root slice first.

    Dark is what lies below half-way between the signal of the horn on the other slices and the
    bright level around it there, so that a void on the root slice does not set its own limit.
    """
    others = horns[1:]
    dark = np.median([disc_values(pixels[h.slice_index], h.grid, h.pixel, DISC_MM).mean()
                      for h in others])  # fmt: skip
    bright = np.median([bright_level(pixels[h.slice_index], h) for h in others])
    limit = float(dark + bright) / 2
    return [_signal(horn, pixels[horn.slice_index], limit) for horn in horns]


def horn_quantities(signals: Sequence[HornSignal]) -> list[TracedQuantity]:
    """Compare the root slice with its neighbours."""
    root, *others = signals
    where = tuple(found.landmark.where for found in signals)
    reference = float(np.mean([found.mean for found in others]))
    u_root = root.sd / math.sqrt(root.count)
    u_reference = math.hypot(*(found.sd / math.sqrt(found.count) for found in others)) / len(others)
    ratio = root.mean / reference
    u_ratio = ratio * math.hypot(u_root / root.mean, u_reference / reference)
    areas = [found.dark_mm2 for found in others]
    spread = float(np.std(areas, ddof=1)) if len(areas) > 1 else None
    return [
        TracedQuantity(
            "signal of the horn, root slice over its neighbours", ratio, "1", u_ratio, Basis.PIXELS,
            where, f"means over {2 * DISC_MM:g} mm discs; u from the scatter of pixels alone",
        ),
        TracedQuantity(
            "dark area of the horn on the root slice", root.dark_mm2, "mm2", None, Basis.PIXELS,
            (root.landmark.where,), f"connected dark pixels within {AREA_MM:g} mm of the landmark",
        ),
        TracedQuantity(
            "dark area of the horn on its neighbours", float(np.mean(areas)), "mm2", spread,
            Basis.PIXELS, where[1:], "mean; u is the standard deviation between the slices",
        ),
    ]  # fmt: skip


def _signal(horn: SpatialLandmark, image: NDArray[np.float32], limit: float) -> HornSignal:
    values = disc_values(image, horn.grid, horn.pixel, DISC_MM)
    near = _distance_mm(image, horn.grid, horn.pixel)
    labels, _ = ndimage.label((image < limit) & (near <= AREA_MM))
    touched = [label for label in np.unique(labels[near <= DISC_MM]) if label]
    pixel_mm2 = horn.grid.row_spacing_mm * horn.grid.column_spacing_mm
    dark_mm2 = float(np.isin(labels, touched).sum()) * pixel_mm2
    return HornSignal(horn, float(values.mean()), float(values.std()), values.size, dark_mm2)


def sampled(image: NDArray[np.float32], grid: PixelGrid, points_mm: FloatArray) -> FloatArray:
    """Read grey values between pixels at points of the slice, shape (..., 3) -> (...)."""
    places = np.moveaxis(grid.to_pixel(points_mm)[..., ::-1], -1, 0)
    return np.asarray(
        ndimage.map_coordinates(image, places, order=1, mode="nearest"), dtype=np.float64
    )


def bright_level(image: NDArray[np.float32], horn: SpatialLandmark) -> float:
    """Take the signal of what surrounds a horn: cartilage and fluid."""
    away = _distance_mm(image, horn.grid, horn.pixel)
    return float(np.percentile(image[(away >= RING_MM[0]) & (away <= RING_MM[1])], 80))


def _distance_mm(
    image: NDArray[np.float32], grid: PixelGrid, pixel: tuple[float, float]
) -> FloatArray:
    rows, columns = np.indices(image.shape)
    away = np.hypot(
        (columns - pixel[0]) * grid.column_spacing_mm, (rows - pixel[1]) * grid.row_spacing_mm
    )
    return np.asarray(away)

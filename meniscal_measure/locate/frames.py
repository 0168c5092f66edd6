"""The two frames that the networks see, and exact resampling of slices onto them.

A frame lies square to the rows and columns of the series, so that resampling is a product of two
small matrices and the way back is a scale and a shift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from meniscal_measure.geometry import FloatArray, PixelGrid

SURVEY_PIXEL_MM = 1.0
"""Pixel of the whole-slice frame."""
SURVEY_SIZE = 160
"""Rows and columns of the whole-slice frame."""
MARGIN_PIXEL_MM = 0.3
"""Pixel of the joint-margin frame."""
MARGIN_SIZE = 128
"""Rows and columns of the joint-margin frame: 38 mm, outward to the right."""
MARGIN_INWARD_MM = 6.0
"""The middle of the joint-margin frame lies this far inward of the rim and outer edge."""

Image = NDArray[np.float32]


@dataclass(frozen=True)
class ViewFrame:
    """A square window on the slices of one stack."""

    centre: tuple[float, float]
    """`[column, row]` of its middle on the slice, pixels."""
    pixel_mm: float
    size: int
    """Rows and columns."""
    mirrored: bool = False
    """Whether its columns run against those of the slice."""
    upended: bool = False
    """Whether its rows run against those of the slice."""

    def steps(self, grid: PixelGrid) -> FloatArray:
        """Slice pixels covered by one pixel of the frame along columns and rows, signed."""
        signs = (-1 if self.mirrored else 1, -1 if self.upended else 1)
        spacing = (grid.column_spacing_mm, grid.row_spacing_mm)
        return np.asarray(np.array(signs) * self.pixel_mm / np.array(spacing))

    def to_slice(self, points: FloatArray, grid: PixelGrid) -> FloatArray:
        """Map frame points, shape (..., 2) as `[column, row]`, to slice pixels."""
        away = np.asarray(points, dtype=np.float64) - (self.size - 1) / 2
        return np.asarray(np.array(self.centre) + away * self.steps(grid))

    def to_frame(self, pixels: FloatArray, grid: PixelGrid) -> FloatArray:
        """Map slice pixels to frame points; the inverse of `to_slice`."""
        away = np.asarray(pixels, dtype=np.float64) - np.array(self.centre)
        return np.asarray(away / self.steps(grid) + (self.size - 1) / 2)

    def resample(self, image: NDArray[np.generic], grid: PixelGrid) -> Image:
        """Resample a slice onto the frame; what lies off the slice is zero."""
        ends = self.to_slice(np.array([[0.0, 0.0], [self.size - 1.0] * 2]), grid)
        across, columns = _weights(ends[:, 0], self.size, image.shape[1])
        down, rows = _weights(ends[:, 1], self.size, image.shape[0])
        return np.asarray(rows @ image[down, across].astype(np.float32) @ columns.T)


def _weights(ends: FloatArray, size: int, length: int) -> tuple[slice, csr_array]:
    """Interpolation matrix (size, pixels): a tent as wide as the coarser of the two pixels.

    With it come the pixels that it reads, of `length` in all: a frame at a margin covers few.
    """
    at = np.linspace(ends[0], ends[1], size)
    width = max(1.0, abs(float(at[1] - at[0])))
    first = max(math.floor(at.min() - width), 0)
    read = slice(first, max(min(math.ceil(at.max() + width) + 1, length), first))
    tent = np.clip(1 - np.abs(at[:, None] - np.arange(read.start, read.stop)) / width, 0, None)
    total = np.maximum(tent.sum(axis=1, keepdims=True), 1.0 / width)
    inside = (at > -0.5) & (at < length - 0.5)
    return read, csr_array(np.where(inside[:, None], tent / total, 0.0).astype(np.float32))


NORM_QUANTILE = 0.985
"""Quantile of the grey values of the window that becomes 1."""
CEILING = 1.6
"""Values above this, relative to the quantile, are clipped."""


def normalised(window: Image, gamma: float = 1.0) -> Image:
    """Scale three slices by one factor, so that `NORM_QUANTILE` of their grey values becomes 1."""
    top = max(float(np.quantile(window, NORM_QUANTILE)), 1e-4)
    scaled = np.clip(window / top, 0, CEILING)
    return np.asarray(scaled**gamma, dtype=np.float32)


def with_neighbours(slices: Sequence[Image], index: int) -> Image:
    """Join the slice with the one before and after it, shape (3, rows, columns).

    At the ends of the stack the outermost slice stands for the missing one.

    Examples
    --------
    >>> slices = [np.full((1, 1), value, dtype=np.float32) for value in (1.0, 2.0)]
    >>> with_neighbours(slices, 0).ravel().tolist()
    [1.0, 1.0, 2.0]
    """
    last = len(slices) - 1
    chosen = (max(index - 1, 0), index, min(index + 1, last))
    return np.stack([slices[i] for i in chosen])

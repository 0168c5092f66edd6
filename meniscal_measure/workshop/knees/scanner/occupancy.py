"""From tissue in space to signal in a slice: slice profile and partial volume.

A slice is sampled finely in its plane and at several depths. At every sample the layers of the
specimen are painted over one another, each in proportion to the share of the sample it fills.
"""

from __future__ import annotations

import typing
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.workshop.knees.layers import Layer, labels_of

LabelArray = NDArray[np.uint8]
PointArray = NDArray[np.float32]

PROFILE_EDGE = 0.12
"""Width of the soft edge of the slice profile, as a fraction of the slice thickness.

Stands for a selective pulse of moderate length; a free parameter of the phantom."""

PROFILE_STEPS = 2001
"""Points at which the slice profile is tabulated."""

JITTER_STEPS = (0.7548776662466927, 0.5698402909980532)
"""Steps of the R2 low-discrepancy sequence (Roberts 2018), 1/p and 1/p^2 of the plastic number."""


class Specimen(typing.Protocol):
    """Anything that can be imaged: it knows what covers a raster of points."""

    def layers_at(self, points: NDArray[np.floating]) -> Sequence[Layer]:
        """Layers at a raster of patient points, shape (..., 3) LPS mm, back to front."""
        ...


@dataclass(frozen=True)
class Subsampling:
    """Samples of a pixel along each image axis and through the slice."""

    in_plane: int = 2
    through_plane: int = 5


def profile_depths_mm(thickness_mm: float, shares: FloatArray) -> FloatArray:
    """Depth below which a share of the slice profile lies, mm from the middle of the slice.

    The profile is a box of the slice thickness with soft edges, whose full width at half maximum
    is the thickness. Evenly spread shares give depths that all count the same.

    Examples
    --------
    >>> profile_depths_mm(3.0, np.array([0.25, 0.5, 0.75])).round(2).tolist()
    [-0.75, 0.0, 0.75]
    """
    depths_mm = np.linspace(-thickness_mm, thickness_mm, PROFILE_STEPS)
    half, edge = thickness_mm / 2, PROFILE_EDGE * thickness_mm
    profile = erf((half - depths_mm) / edge) + erf((half + depths_mm) / edge)
    share = (np.cumsum(profile) - profile / 2) / profile.sum()
    return np.interp(shares, share, depths_mm)


def tissue_labels(specimen: Specimen, grid: PixelGrid) -> LabelArray:
    """Tissue at the pixel centres in the middle of a slice, shape (rows, columns)."""
    points = _raster(grid, in_plane=1)
    return labels_of(specimen.layers_at(points), points.shape[:-1])


def fine_images(
    specimen: Specimen,
    grid: PixelGrid,
    signals: FloatArray,
    *,
    thickness_mm: float,
    subsampling: Subsampling,
) -> FloatArray:
    """Average signals over the thickness of a slice on a fine grid.

    `signals` holds the signal of each tissue code in each component, shape (components, codes);
    returned is shape (components, rows x in_plane, columns x in_plane).
    """
    fine, depths = subsampling.in_plane, subsampling.through_plane
    softness_mm = (grid.row_spacing_mm + grid.column_spacing_mm) / 2 / fine
    raster = _raster(grid, in_plane=fine)
    total = np.zeros((len(signals), *raster.shape[:-1]), dtype=np.float32)
    for index, (down, across) in enumerate(_jitter(depths) / fine):
        shift = down * grid.row_spacing_mm * grid.column_direction
        shift = shift + across * grid.column_spacing_mm * grid.row_direction
        tile_mm = profile_depths_mm(thickness_mm, (index + 0.5 + _dither(fine)) / depths)
        depth_mm = np.tile(tile_mm, (grid.rows, grid.columns)).astype(np.float32)
        offset = shift + depth_mm[..., np.newaxis] * grid.normal
        layers = specimen.layers_at(raster + offset.astype(np.float32))
        total += _painted(layers, signals.astype(np.float32), raster.shape[:-1], softness_mm)
    return np.asarray(total / depths, dtype=np.float64)


def _painted(
    layers: Sequence[Layer], signals: PointArray, shape: tuple[int, ...], softness_mm: float
) -> PointArray:
    """Paint the signals of layers over air, shape (components, *shape)."""
    canvas = np.zeros((len(signals), *shape), dtype=np.float32)
    for layer in layers:
        window = canvas[(slice(None), *layer.where)]
        colour = signals[:, layer.tissue].reshape(-1, *(1 for _ in shape))
        window += layer.coverage(softness_mm) * (colour - window)
    return canvas


def _raster(grid: PixelGrid, *, in_plane: int) -> PointArray:
    """Points spread evenly over every pixel, shape (rows x n, columns x n, 3), LPS mm."""
    rows, columns = (
        (np.arange(size * in_plane) + 0.5) / in_plane - 0.5 for size in (grid.rows, grid.columns)
    )
    column, row = np.meshgrid(columns, rows)
    return grid.to_patient(np.stack([column, row], axis=-1)).astype(np.float32)


def _jitter(depths: int) -> FloatArray:
    """Offset of the samples at each depth within a fine pixel, shape (depths, 2), mean zero.

    Each row and each column of a fine pixel is met once, so that an edge along the rows or columns
    is located finer than to a fine pixel.
    """
    spread = np.outer(np.arange(depths), JITTER_STEPS) % 1.0
    return _even_steps(spread)


def _dither(fine: int) -> FloatArray:
    """Offset of each sample of a pixel between two depths, shape (fine, fine), mean zero.

    Neighbours lie at different depths, so that a surface that slants through the slice shows no
    steps once the samples of a pixel are averaged.
    """
    spread = np.asarray(np.arange(fine * fine) * JITTER_STEPS[1] % 1.0, dtype=np.float64)
    return _even_steps(spread).reshape(fine, fine)


def _even_steps(spread: FloatArray) -> FloatArray:
    """Replace values by their ranks, spread evenly from -1/2 to 1/2."""
    ranks = np.argsort(np.argsort(spread, axis=0), axis=0)
    return np.asarray((ranks + 0.5) / len(spread) - 0.5, dtype=np.float64)

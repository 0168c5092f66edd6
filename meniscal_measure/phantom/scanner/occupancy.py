"""From tissue in space to signal in a slice: slice profile and partial volume.

Pixels in one tissue through and through are filled at once; only those on a border are sampled
finely, in the plane and through the slice.
"""

from __future__ import annotations

import typing
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter
from scipy.special import erf

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.phantom.scanner.sampling import pixel_points

LabelArray = NDArray[np.uint8]

PROFILE_EDGE = 0.12
"""Width of the soft edge of the slice profile, as a fraction of the slice thickness.

Stands for a selective pulse of moderate length; a free parameter of the phantom."""

PROFILE_STEPS = 2001
"""Points at which the slice profile is tabulated."""

JITTER_STEPS = (0.7548776662466927, 0.5698402909980532)
"""Steps of the R2 low-discrepancy sequence (Roberts 2018), 1/p and 1/p^2 of the plastic number."""


class Specimen(typing.Protocol):
    """Anything that can be imaged: it knows the tissue at every point."""

    def tissue_at(self, points: FloatArray) -> LabelArray:
        """Tissue code at patient points, shape (..., 3) LPS mm -> (...)."""
        ...


@dataclass(frozen=True)
class Subsampling:
    """Samples of a border pixel along each image axis (odd or even) and through the slice."""

    in_plane: int = 3
    through_plane: int = 5


@dataclass(frozen=True)
class Slice:
    """A slice of tissue and the depths at which it is sampled; each counts the same."""

    grid: PixelGrid
    depths_mm: FloatArray


def slice_of(grid: PixelGrid, thickness_mm: float, samples: int) -> Slice:
    """Spread samples through a slice, the closer the more the slice profile weighs there.

    The profile is a box of the slice thickness with soft edges, whose full width at half maximum
    is the thickness.
    """
    depths_mm = np.linspace(-thickness_mm, thickness_mm, PROFILE_STEPS)
    half, edge = thickness_mm / 2, PROFILE_EDGE * thickness_mm
    profile = erf((half - depths_mm) / edge) + erf((half + depths_mm) / edge)
    share = (np.cumsum(profile) - profile / 2) / profile.sum()
    return Slice(grid, np.interp((np.arange(samples) + 0.5) / samples, share, depths_mm))


def fine_images(
    specimen: Specimen, image: Slice, signals: FloatArray, in_plane: int
) -> tuple[FloatArray, LabelArray]:
    """Average signals over the depth of a slice on a fine grid.

    Parameters
    ----------
    specimen
        What is imaged.
    image
        Where.
    signals
        Signal of each tissue code in each component, shape (components, codes).
    in_plane
        Fine samples along each side of a pixel.

    Returns
    -------
    fine : ndarray
        Shape (components, rows x in_plane, columns x in_plane).
    labels : ndarray
        Tissue at the pixel centres in the middle of the slice, shape (rows, columns).
    """
    centres = pixel_points(image.grid)
    levels_mm = (image.depths_mm[0], 0.0, image.depths_mm[-1])
    coarse = np.stack(
        [specimen.tissue_at(centres + depth_mm * image.grid.normal) for depth_mm in levels_mm]
    )
    labels = coarse[1]
    filled = np.repeat(np.repeat(signals[:, labels], in_plane, axis=1), in_plane, axis=2)
    border = _border(coarse)
    tiles = filled.reshape(len(signals), image.grid.rows, in_plane, image.grid.columns, in_plane)
    tiles.transpose(1, 3, 0, 2, 4)[border] = _border_signals(
        specimen, image, signals, pixels=np.argwhere(border), in_plane=in_plane
    )
    return filled, labels


def _border(coarse: LabelArray) -> NDArray[np.bool_]:
    lowest = minimum_filter(coarse.min(axis=0), size=3)
    highest = maximum_filter(coarse.max(axis=0), size=3)
    return np.asarray(lowest != highest)


def _border_signals(
    specimen: Specimen,
    image: Slice,
    signals: FloatArray,
    *,
    pixels: NDArray[np.intp],
    in_plane: int,
) -> FloatArray:
    """Signals of some pixels, shape (pixels, components, in_plane, in_plane)."""
    steps = (np.arange(in_plane) + 0.5) / in_plane - 0.5
    rows, columns = np.meshgrid(steps, steps, indexing="ij")
    total = np.zeros((len(pixels), len(signals), in_plane, in_plane))
    jitter = _jitter(len(image.depths_mm)) / in_plane
    for depth_mm, (down, across) in zip(image.depths_mm, jitter, strict=True):
        row = pixels[:, 0, np.newaxis, np.newaxis] + rows + down
        column = pixels[:, 1, np.newaxis, np.newaxis] + columns + across
        points = image.grid.to_patient(np.stack([column, row], axis=-1))
        found = specimen.tissue_at(points + depth_mm * image.grid.normal)
        total += np.moveaxis(signals[:, found], 0, 1)
    return total / len(image.depths_mm)


def _jitter(depths: int) -> FloatArray:
    """Offset of the samples at each depth within a fine pixel, shape (depths, 2), mean zero.

    Each row and each column of a fine pixel is met once, so that an edge along the rows or columns
    is located finer than to a fine pixel.
    """
    spread = np.outer(np.arange(depths), JITTER_STEPS) % 1.0
    ranks = np.argsort(np.argsort(spread, axis=0), axis=0)
    return np.asarray((ranks + 0.5) / depths - 0.5, dtype=np.float64)

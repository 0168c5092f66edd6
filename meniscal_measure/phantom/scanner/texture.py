"""Fine variation of signal inside a tissue, the same in space for every series of a knee."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from meniscal_measure.geometry import FloatArray

CELLS = 64
"""Cells along each side of the repeating cube of noise."""

CELL_MM = 0.7
"""Size of a cell, about a pixel."""

GRAIN_MM = (0.8, 3.0)
"""Sizes of grain that are mixed in equal parts: fine fibres and lobules, and coarser bundles."""


class Texture:
    """A random field in space with mean 0 and standard deviation 1 over its repeating cube.

    Parameters
    ----------
    rng
        Draws the field.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        cube = np.zeros((CELLS, CELLS, CELLS))
        for grain_mm in GRAIN_MM:
            noise = rng.normal(size=cube.shape)
            smooth = gaussian_filter(noise, grain_mm / CELL_MM / 2, mode="wrap")
            cube += smooth / smooth.std()
        self._cube = (cube - cube.mean()) / cube.std()

    def at(self, points_mm: FloatArray) -> FloatArray:
        """Value of the field at patient points, shape (..., 3) -> (...)."""
        places = np.moveaxis(points_mm, -1, 0) / CELL_MM
        return np.asarray(map_coordinates(self._cube, places, order=1, mode="grid-wrap"))

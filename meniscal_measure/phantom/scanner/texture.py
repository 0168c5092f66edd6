"""Fine variation of signal inside a tissue, the same in space for every series of a knee."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from meniscal_measure.geometry import FloatArray

CELLS = 48
"""Cells along each side of the repeating cube of noise."""

CELL_MM = 1.1
"""Size of a cell: coarser than a pixel, finer than a muscle bundle or a fat lobule."""


class Texture:
    """A random field in space with mean 0 and standard deviation near 1.

    Parameters
    ----------
    rng
        Draws the field.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        fine = rng.normal(size=(CELLS, CELLS, CELLS))
        coarse = np.kron(rng.normal(size=(CELLS // 4,) * 3), np.ones((4, 4, 4)))
        cube = fine + coarse
        self._cube = (cube - cube.mean()) / cube.std()

    def at(self, points_mm: FloatArray) -> FloatArray:
        """Value of the field at patient points, shape (..., 3) -> (...)."""
        places = np.moveaxis(points_mm, -1, 0) / CELL_MM
        return np.asarray(map_coordinates(self._cube, places, order=1, mode="grid-wrap"))

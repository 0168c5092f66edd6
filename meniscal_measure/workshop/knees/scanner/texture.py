"""Fine variation of signal inside a tissue, the same in space for every series of a knee."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.scanner.relaxation import PROPERTIES, Pattern

CELLS = 64
"""Cells along each side of the repeating cube of noise."""

CELL_MM = {
    Pattern.GRAIN: (0.7, 0.7, 0.7),
    Pattern.FIBRES: (0.6, 0.6, 5.0),
    Pattern.SEPTA: (1.0,) * 3,
}
"""Size of a cell along each patient axis; muscle fibres run along the leg."""

GRAIN_MM = (0.8, 3.0)
"""Sizes of grain that are mixed in equal parts."""

LOBULE_CELLS = 2.6
"""Scale of the smooth field whose zeros are the walls between fat lobules."""

SEPTUM_WIDTH = 0.12
"""Half-width of a wall, in standard deviations of that field: a few tenths of a millimetre, so that
only some walls are seen, as on images."""


class Texture:
    """Random patterns in space, each with mean 0 and standard deviation 1 over its cube."""

    def __init__(self, rng: np.random.Generator) -> None:
        cell_mm = CELL_MM[Pattern.GRAIN][0]
        grain = _standardised(
            np.sum([_smooth_noise(rng, grain_mm / cell_mm / 2) for grain_mm in GRAIN_MM], axis=0)
        )
        walls = np.exp(-((_smooth_noise(rng, LOBULE_CELLS) / SEPTUM_WIDTH) ** 2))
        septa = _standardised(-walls)  # dark where a smooth field passes through zero
        self._cubes = {Pattern.GRAIN: grain, Pattern.FIBRES: grain, Pattern.SEPTA: septa}

    def variation(self, points_mm: FloatArray, labels: NDArray[np.uint8]) -> FloatArray:
        """Relative variation of the signal at points, LPS mm, in the tissues of `labels`."""
        varied = np.zeros(labels.shape)
        for tissue, known in PROPERTIES.items():
            here = labels == tissue
            if known.texture and here.any():
                places = np.moveaxis(points_mm[here] / CELL_MM[known.pattern], -1, 0)
                cube = self._cubes[known.pattern]
                found = map_coordinates(cube, places, order=1, mode="grid-wrap")
                varied[here] = known.texture * found
        return varied


@lru_cache(maxsize=4)
def texture_of(seed: int) -> Texture:
    """Make the texture of a specimen, the same for each of its series."""
    return Texture(np.random.default_rng(seed))


def _smooth_noise(rng: np.random.Generator, cells: float) -> FloatArray:
    noise = gaussian_filter(rng.normal(size=(CELLS, CELLS, CELLS)), cells, mode="wrap")
    return np.asarray(noise / noise.std(), dtype=np.float64)


def _standardised(cube: FloatArray) -> FloatArray:
    return np.asarray((cube - cube.mean()) / cube.std(), dtype=np.float64)

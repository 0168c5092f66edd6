"""The pixels a reading was taken on, together with the plane of each slice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import PixelGrid

PixelArray = NDArray[np.number[Any]]


@dataclass(frozen=True, eq=False)
class SeriesImages:
    """Grey values of a stack in geometric order.

    Parameters
    ----------
    pixels
        Grey values, `[slice, row, column]`.
    grids
        Plane of each slice, as many as there are slices.

    Raises
    ------
    GeometryError
        If the number of planes or their size does not fit the pixels.
    """

    pixels: PixelArray
    grids: tuple[PixelGrid, ...]

    def __post_init__(self) -> None:
        sizes = {(grid.rows, grid.columns) for grid in self.grids}
        if self.pixels.ndim != 3 or len(self.grids) != len(self.pixels):
            raise GeometryError(
                f"Pixels of shape {self.pixels.shape} do not fit {len(self.grids)} slice planes;"
                " give one [row, column] image for each plane."
            )
        if sizes != {self.pixels.shape[1:]}:
            raise GeometryError(
                f"Slice planes of {sorted(sizes)} (rows, columns) do not fit images of"
                f" {self.pixels.shape[1:]}; use the planes read from the same files."
            )

    def __len__(self) -> int:
        return len(self.grids)

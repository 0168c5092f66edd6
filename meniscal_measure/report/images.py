"""The pixels a reading was taken on, together with the plane of each slice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import PixelGrid

PixelArray = NDArray[np.number[Any]]


@dataclass(frozen=True, eq=False)
class SeriesImages:
    """Grey values of those slices of a stack that are to be shown.

    Raises
    ------
    GeometryError
        If an image has no plane, or one of another size.
    """

    pixels: Mapping[int, PixelArray]
    """Grey values `[row, column]` by slice index. Slices that are absent are not shown, so that one
    figure does not need the whole series."""
    grids: tuple[PixelGrid, ...]
    """Plane of every slice of the stack in geometric order."""

    def __post_init__(self) -> None:
        for index, image in self.pixels.items():
            if not 0 <= index < len(self.grids):
                raise GeometryError(
                    f"There is an image for slice {index}, but planes for slices 0 to"
                    f" {len(self.grids) - 1} only; give the planes of the whole stack."
                )
            grid = self.grids[index]
            if image.shape != (grid.rows, grid.columns):
                raise GeometryError(
                    f"The image of slice {index} has shape {image.shape}, its plane"
                    f" {(grid.rows, grid.columns)} (rows, columns); read both from the same file."
                )

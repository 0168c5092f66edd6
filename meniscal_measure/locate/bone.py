"""Whether the bone beside the joint gives signal, or is void as metal makes it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.geometry import FloatArray, PixelGrid

NEAR_MM, FAR_MM = (2.5, 7.0), (14.0, 24.0)
"""Depths below the line of the rims: where a tibial tray would lie, and bone beneath it."""
CONDYLES_MM = (-18.0, -9.0)
"""The same of the femoral condyles, above that line. They are void beside a replacement even where
the lower border of its tray was taken for the plateau."""
VOID_RATIO = 0.3
"""Bone near the joint darker than this fraction of the deeper bone is no marrow, sick or sound: on
42 drawn and real knees the condyles were never darker than two thirds of it."""
ACROSS = np.concatenate([np.linspace(0.12, 0.38, 14), np.linspace(0.62, 0.88, 14)])
"""Places between the rims, as fractions of their distance, the spines left out."""


def is_void(
    image: NDArray[np.generic], grid: PixelGrid, rims: FloatArray, *, upended: bool
) -> bool:
    """Whether tibia or condyles beside the joint are void compared with the tibia further down.

    Parameters
    ----------
    image
        The slice.
    grid
        Its plane.
    rims
        `[column, row]` of the rim on the left and on the right.
    upended
        Whether the rows run upward in the patient.
    """
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    line = (rims[1] - rims[0]) * spacing
    down = np.array([-line[1], line[0]]) / np.linalg.norm(line) * (-1 if upended else 1)
    along = rims[0] + ACROSS[:, None] * (rims[1] - rims[0])
    near, condyles, far = (
        _signal(image, along, down / spacing, depths) for depths in (NEAR_MM, CONDYLES_MM, FAR_MM)
    )
    return min(near, condyles) < VOID_RATIO * far


def _signal(
    image: NDArray[np.generic],
    along: FloatArray,
    step: FloatArray,
    depths_mm: tuple[float, float],
) -> float:
    depths = np.linspace(*depths_mm, 12)
    points = along[:, None, :] + depths[None, :, None] * step
    values = ndimage.map_coordinates(
        image.astype(np.float32), [points[..., 1], points[..., 0]], order=1, mode="nearest"
    )
    return float(np.median(values))

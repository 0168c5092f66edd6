"""Rasters through a knee that the tests of the phantom share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

Raster = NDArray[np.float32]


@pytest.fixture(scope="session")
def slice_points() -> Callable[..., Raster]:
    """Make points on a plane at right angles to x, y or z: shape (rows, columns, 3)."""

    def make(
        axis: str, position_mm: float, *, half_mm: float = 80.0, step_mm: float = 1.0
    ) -> Raster:
        steps = np.arange(-half_mm, half_mm, step_mm, dtype=np.float32)
        across, down = np.meshgrid(steps, -steps)
        level = np.full_like(across, position_mm)
        order = {
            "x": (level, across, down),
            "y": (across, level, down),
            "z": (across, -down, level),
        }
        return np.stack(order[axis], axis=-1)

    return make

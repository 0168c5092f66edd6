"""The scanner's output: one stack of slices and how it was acquired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.workshop.knees.scanner.protocols import Protocol
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan


@dataclass(frozen=True)
class ScannedStack:
    """Slices of one series, and how it was acquired."""

    pixels: NDArray[np.uint16]
    """Magnitude image, shape (slices, rows, columns), 12 bits in use."""
    labels: NDArray[np.uint8]
    """Tissue at each pixel centre in the middle of the slice, same shape."""
    grids: tuple[PixelGrid, ...]
    plan: StackPlan
    protocol: Protocol
    field_strength_t: float
    acquired: tuple[int, int]
    """Acquired matrix, phase-encoding rows and frequency-encoding columns."""

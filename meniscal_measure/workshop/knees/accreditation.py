"""The large cylindrical phantom of magnetic resonance accreditation, by its nominal size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import Vector
from meniscal_measure.workshop.knees.layers import Layer
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

DIAMETER_MM = 190.0
"""Nominal interior diameter of the large phantom of the American College of Radiology (read in a
copy of its guidance)."""

LENGTH_MM = 148.0
"""Nominal interior length, end to end (recalled from its guidance, high confidence)."""


@dataclass(frozen=True)
class AccreditationPhantom:
    """A cylinder of solution along the patient's long axis; its inserts are left out.

    Parameters
    ----------
    centre_mm
        Middle of the cylinder, LPS mm.
    """

    centre_mm: Vector = (0.0, 0.0, 0.0)

    def layers_at(self, points: NDArray[np.floating]) -> list[Layer]:
        """Give the solution at points of shape (..., 3) LPS mm; what is not in it is air."""
        offset = points - np.array(self.centre_mm, dtype=points.dtype)
        beyond_wall_mm = np.hypot(offset[..., 0], offset[..., 1]) - DIAMETER_MM / 2
        beyond_end_mm = np.abs(offset[..., 2]) - LENGTH_MM / 2
        distance_mm = np.maximum(beyond_wall_mm, beyond_end_mm)
        return [Layer(Tissue.FLUID, Depth.SKIN, distance_mm, (slice(None),) * offset[..., 0].ndim)]

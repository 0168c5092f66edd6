"""The large cylindrical phantom of magnetic resonance accreditation, by its nominal size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray, Vector
from meniscal_measure.phantom.scanner.occupancy import LabelArray
from meniscal_measure.phantom.tissue import Tissue

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

    def tissue_at(self, points: FloatArray) -> LabelArray:
        """Fluid inside and air outside, shape (..., 3) LPS mm -> (...)."""
        offset = points - np.array(self.centre_mm)
        across = np.hypot(offset[..., 0], offset[..., 1]) <= DIAMETER_MM / 2
        along = np.abs(offset[..., 2]) <= LENGTH_MM / 2
        return np.where(across & along, Tissue.FLUID, Tissue.AIR).astype(np.uint8)

"""One examination of a knee as a follow-up needs it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.reading import Reading, SliceReading
from meniscal_measure.errors import LandmarkError
from meniscal_measure.knee.pairing import KneeIdentity
from meniscal_measure.knee.tibia_images import TibiaImages
from meniscal_measure.series.model import Stack


@dataclass(frozen=True, eq=False)
class KneeExamination:
    """One examination of a knee: the reading, its stack, and all pixels of the stack."""

    reading: Reading
    stack: Stack
    pixels: NDArray[np.float32]

    @property
    def slices(self) -> tuple[SliceReading, ...]:
        """The measured slices in geometric order."""
        parts = (self.reading.measured, *self.reading.neighbours)
        return tuple(sorted(parts, key=lambda part: part.slice_index))

    def tibia(self) -> TibiaImages:
        """Give the stack with the rims of the measured slice, for registration.

        Raises
        ------
        LandmarkError
            If a rim is not placed.
        """
        found = self.reading.measured.compartments
        try:
            rims = [
                found[name].landmarks[Landmark.RIM].point_mm
                for name in (Compartment.MEDIAL, Compartment.LATERAL)
            ]
        except KeyError as error:
            raise LandmarkError(
                "To find the same slice again both plateau rims are needed, on a knee whose side is"
                " known. Place medial_rim and lateral_rim at both examinations."
            ) from error
        return TibiaImages(self.pixels, tuple(f.grid for f in self.stack.frames), *rims)

    @property
    def identity(self) -> KneeIdentity:
        """Whose knee it is, and when it was examined."""
        source = self.reading.source
        return KneeIdentity(
            source.side, source.patient_id, source.study_instance_uid, source.study_date
        )

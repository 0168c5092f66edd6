"""Directions of the tibia in patient space: lateral, posterior, towards the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, unit_vector
from meniscal_measure.knee.named_landmarks import KneeLandmark, LandmarkSpace
from meniscal_measure.knee.quantity import TracedSlice

RIMS_SD_DEG = 3.0
"""Standard deviation of directions that follow the line through both plateau rims, about each axis
(common practice, no source): the rims are placed on one slice, whose plane somebody set."""

PATIENT_SD_DEG = 8.0
"""Standard deviation of the tibia's directions where those of the patient stand in for them: how
far a knee is turned in its coil (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class TibialAxes:
    """Three unit vectors at right angles, LPS, and how well they are known."""

    lateral: FloatArray
    posterior: FloatArray
    upward: FloatArray
    sd_deg: float
    source: str
    where: tuple[TracedSlice, ...] = ()

    @property
    def sd_rad(self) -> float:
        """Standard deviation of a rotation about each axis, radians."""
        return math.radians(self.sd_deg)

    def offset(self, *, lateral_mm: float, posterior_mm: float) -> FloatArray:
        """Vector with these lateral and posterior components, LPS mm."""
        return lateral_mm * self.lateral + posterior_mm * self.posterior


def tibial_axes(landmarks: LandmarkSpace, side: Side) -> TibialAxes:
    """Take the directions of the tibia from both plateau rims, else from the patient.

    The lateral axis runs from the medial to the lateral rim, the posterior one at a right angle to
    it and to the patient's long axis.

    Raises
    ------
    LandmarkError
        If the rims lie on the wrong sides of each other, so that medial and lateral are exchanged.
    """
    outward = np.array([-float(side.medial_x), 0.0, 0.0])
    medial = landmarks.first(KneeLandmark.MEDIAL_PLATEAU_RIM)
    lateral = landmarks.first(KneeLandmark.LATERAL_PLATEAU_RIM)
    if medial is None or lateral is None:
        return TibialAxes(
            outward, np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), PATIENT_SD_DEG,
            "directions of the patient in the scanner, as no plateau rims are placed",
        )  # fmt: skip
    across = unit_vector(np.subtract(lateral.point_mm, medial.point_mm))
    if across @ outward <= 0:
        raise LandmarkError(
            "The medial plateau rim lies lateral of the lateral one for a {side} knee. Exchange"
            " the two, or correct the side.",
            side=side.word,
        )
    upward = unit_vector(np.array([0.0, 0.0, 1.0]) - across[2] * across)
    posterior = np.cross(upward, across)
    posterior = posterior if posterior[1] > 0 else -posterior
    return TibialAxes(
        across, posterior, upward, RIMS_SD_DEG, "line through both plateau rims",
        (medial.where,) if medial.where == lateral.where else (medial.where, lateral.where),
    )  # fmt: skip

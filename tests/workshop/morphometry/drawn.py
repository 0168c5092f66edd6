"""Bone fields of a knee of `workshop.knees`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.workshop.knees.layers import Part
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue
from tests.workshop.morphometry.bone_section import Bones, BonesAt


def bones_of(knee: SyntheticKnee) -> BonesAt:
    """Give the bone fields of a knee.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.parameters import KneeParameters
    >>> bones_at = bones_of(SyntheticKnee(KneeParameters()))
    >>> bones = bones_at(np.zeros(1), np.zeros(1), np.array([-20.0]))
    >>> bool(bones.tibia[0] < 0 < bones.femur[0])
    True
    """

    def bones_at(
        u: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]
    ) -> Bones:
        axes = np.broadcast_arrays(u, y, z)
        points = tuple(np.ascontiguousarray(axis, dtype=np.float32) for axis in axes)
        femur, femoral = _bone_and_cartilage(knee.femur, points)
        tibia, tibial = _bone_and_cartilage(knee.tibia, points)
        return Bones(femur, tibia, tibial, femoral)

    return bones_at


def _bone_and_cartilage(
    part: Part, points: tuple[NDArray[np.float32], ...]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    fields = {tissue: distance for tissue, _, distance in part.layers(*points)}
    return fields[Tissue.CORTICAL_BONE], fields[Tissue.CARTILAGE]

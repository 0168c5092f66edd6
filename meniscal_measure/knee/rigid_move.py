"""Rigid movements of a bone between two examinations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from meniscal_measure.geometry import FloatArray


@dataclass(frozen=True, eq=False)
class RigidMove:
    """A rigid movement `x -> rotation x + shift_mm`, from baseline to follow-up coordinates."""

    rotation: FloatArray
    """Shape (3, 3)."""
    shift_mm: FloatArray
    """Shape (3,)."""

    def __call__(self, point_mm: ArrayLike) -> FloatArray:
        """Move points, shape (..., 3).

        Examples
        --------
        >>> RigidMove(np.eye(3), np.array([1.0, 0.0, -2.0]))([[0, 0, 0], [5, 5, 5]]).tolist()
        [[1.0, 0.0, -2.0], [6.0, 5.0, 3.0]]
        """
        moved = np.asarray(point_mm, dtype=np.float64) @ self.rotation.T + self.shift_mm
        return np.asarray(moved, dtype=np.float64)

    @property
    def inverse(self) -> RigidMove:
        """The movement back.

        Examples
        --------
        >>> RigidMove(np.eye(3), np.array([1.0, 2.0, 3.0])).inverse.shift_mm.tolist()
        [-1.0, -2.0, -3.0]
        """
        return RigidMove(self.rotation.T, -self.rotation.T @ self.shift_mm)

    @property
    def angle_deg(self) -> float:
        """Angle of the rotation about its axis.

        Examples
        --------
        >>> RigidMove(np.eye(3), np.zeros(3)).angle_deg
        0.0
        """
        # by the sine as well, which keeps its digits where the cosine is close to 1
        turn = self.rotation - self.rotation.T
        sine = math.hypot(turn[2, 1], turn[0, 2], turn[1, 0]) / 2
        return math.degrees(math.atan2(sine, (float(np.trace(self.rotation)) - 1) / 2))

    def midway(self, other: RigidMove) -> RigidMove:
        """Give the movement half way to another one close to it.

        Examples
        --------
        >>> still = RigidMove(np.eye(3), np.zeros(3))
        >>> still.midway(RigidMove(np.eye(3), np.array([2.0, 0.0, 0.0]))).shift_mm.tolist()
        [1.0, 0.0, 0.0]
        """
        rotations = Rotation.from_matrix([self.rotation, other.rotation])
        return RigidMove(rotations.mean().as_matrix(), (self.shift_mm + other.shift_mm) / 2)

    def against(self, other: RigidMove) -> RigidMove:
        """Give the movement that this one makes beyond another one."""
        rotation = self.rotation @ other.rotation.T
        return RigidMove(rotation, self.shift_mm - rotation @ other.shift_mm)

"""Posterior slope of a tibial plateau on sagittal images."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meniscal_measure.anatomy import Compartment, Plane
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.named_landmarks import (
    KneeLandmark,
    LandmarkSpace,
    SpatialLandmark,
    measured_between,
)
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity

SHORTEST_AXIS_MM = 20.0
"""Shaft centres closer than this leave the axis of the tibia undetermined: 1 mm is 3 degrees then
(geometry)."""

SHAFT = (KneeLandmark.SHAFT_CENTRE_UPPER, KneeLandmark.SHAFT_CENTRE_LOWER)

PLATEAU = {
    Compartment.MEDIAL: (KneeLandmark.MEDIAL_PLATEAU_FRONT, KneeLandmark.MEDIAL_PLATEAU_BACK),
    Compartment.LATERAL: (KneeLandmark.LATERAL_PLATEAU_FRONT, KneeLandmark.LATERAL_PLATEAU_BACK),
}

METHOD = (
    "plateau margins against the axis through two centres of the shaft; the short shaft of a knee"
    " MRI differs from the whole tibia"
)


def slope_deg(points: FloatArray, sideways: FloatArray) -> FloatArray:
    """Posterior slope of a plateau, positive where it falls off backwards, degrees.

    90 less the angle between plateau and downward axis, both seen in the sagittal plane.

    Parameters
    ----------
    points
        Front and back margin of the plateau, upper and lower centre of the shaft, shape (4, 3) or
        (4, 3, cases).
    sideways
        Unit vector across the sagittal plane, shape (3,).

    Examples
    --------
    >>> points = np.array([[0, -20, 0], [0, 20, -4.0], [0, 0, -15], [0, 0, -60]])
    >>> round(float(slope_deg(points, np.array([1.0, 0, 0]))), 2)
    5.71
    """
    front, back, upper, lower = points
    plateau, axis = _in_plane(back - front, sideways), _in_plane(lower - upper, sideways)
    down = np.einsum("i...,i...->...", plateau, axis) / np.linalg.norm(axis, axis=0)
    along = np.sqrt(np.maximum(np.einsum("i...,i...->...", plateau, plateau) - down**2, 0.0))
    return np.asarray(np.degrees(np.arctan2(down, along)), dtype=np.float64)


def _in_plane(vector: FloatArray, sideways: FloatArray) -> FloatArray:
    across = np.einsum("i...,i->...", vector, sideways)
    return np.asarray(vector - np.multiply.outer(sideways, across), dtype=np.float64)


def slope_part(space: LandmarkSpace) -> CasePart:
    """Give the slope of each plateau whose margins are placed, with what is missing.

    Raises
    ------
    LandmarkError
        If the two centres of the shaft are too close to each other.
    """
    shaft = [space.first(name) for name in SHAFT]
    quantities, gaps = [], []
    for compartment, margins in PLATEAU.items():
        placed = [found for name in margins for found in space.on_plane(name, Plane.SAGITTAL)[:1]]
        whole = [*placed, *(landmark for landmark in shaft if landmark is not None)]
        if len(whole) == len(margins) + len(SHAFT):
            quantities.append(_slope(compartment, whole))
        elif placed:
            gaps.append(
                f"Slope of the {compartment.words} plateau: place {', '.join((*margins, *SHAFT))}"
                " on sagittal slices."
            )
    return CasePart("Tibial slope", tuple(quantities), gaps=tuple(gaps))


def _slope(compartment: Compartment, landmarks: Sequence[SpatialLandmark]) -> TracedQuantity:
    sideways = landmarks[0].grid.normal
    axis_mm = float(np.linalg.norm(np.subtract(landmarks[3].point_mm, landmarks[2].point_mm)))
    if axis_mm < SHORTEST_AXIS_MM:
        raise LandmarkError(
            f"The two centres of the tibial shaft lie {axis_mm:.0f} mm apart; at least"
            f" {SHORTEST_AXIS_MM:.0f} mm are needed for an axis. Place them further apart."
        )
    found = measured_between(lambda points: slope_deg(points, sideways), landmarks)
    return TracedQuantity(
        f"posterior slope of the {compartment.words} plateau", found.value, "deg", found.u,
        Basis.READER, tuple(landmark.where for landmark in landmarks),
        f"{METHOD}; {published().normal_words(f'{compartment.words} slope')}",
    )  # fmt: skip

"""Alignment of the leg on a radiograph from the front: axes, joint lines, weight-bearing line."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from enum import StrEnum

import numpy as np

from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray

MOST_SHORTENED = 0.35
"""Femur and tibia differ in length by less than this share; more is a misplaced landmark (common
practice, no source)."""


class LimbLandmark(StrEnum):
    """A landmark of the leg on a radiograph taken from the front.

    `meniscal_measure.knee.topics.LANDMARK_WORDS` says what each is.
    """

    HIP_CENTRE = "hip_centre"
    FEMORAL_KNEE_CENTRE = "femoral_knee_centre"
    TIBIAL_KNEE_CENTRE = "tibial_knee_centre"
    ANKLE_CENTRE = "ankle_centre"
    FEMORAL_LINE_MEDIAL = "femoral_line_medial"
    FEMORAL_LINE_LATERAL = "femoral_line_lateral"
    TIBIAL_LINE_MEDIAL = "tibial_line_medial"
    TIBIAL_LINE_LATERAL = "tibial_line_lateral"


class LimbMeasure(StrEnum):
    """The measures of the leg."""

    HIP_KNEE_ANKLE = "hip-knee-ankle angle"
    VARUS = "varus of the leg"
    LATERAL_DISTAL_FEMORAL = "mechanical lateral distal femoral angle"
    MEDIAL_PROXIMAL_TIBIAL = "medial proximal tibial angle"
    JOINT_LINE_CONVERGENCE = "joint line convergence angle"
    AXIS_DEVIATION = "mechanical axis deviation"


Line = tuple[LimbLandmark, LimbLandmark]

FEMUR: Line = (LimbLandmark.HIP_CENTRE, LimbLandmark.FEMORAL_KNEE_CENTRE)
TIBIA: Line = (LimbLandmark.TIBIAL_KNEE_CENTRE, LimbLandmark.ANKLE_CENTRE)
FEMORAL_LINE: Line = (LimbLandmark.FEMORAL_LINE_LATERAL, LimbLandmark.FEMORAL_LINE_MEDIAL)
TIBIAL_LINE: Line = (LimbLandmark.TIBIAL_LINE_LATERAL, LimbLandmark.TIBIAL_LINE_MEDIAL)

NEEDED: dict[LimbMeasure, tuple[LimbLandmark, ...]] = {
    LimbMeasure.HIP_KNEE_ANKLE: (*FEMUR, *TIBIA, *TIBIAL_LINE),
    LimbMeasure.VARUS: (*FEMUR, *TIBIA, *TIBIAL_LINE),
    LimbMeasure.LATERAL_DISTAL_FEMORAL: (*FEMUR, *FEMORAL_LINE),
    LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: (*TIBIA, *TIBIAL_LINE),
    LimbMeasure.JOINT_LINE_CONVERGENCE: (*FEMORAL_LINE, *TIBIAL_LINE),
    LimbMeasure.AXIS_DEVIATION: (*FEMUR, *TIBIA, *TIBIAL_LINE),
}
"""Landmarks of each measure; a line of the joint says which way is medial."""


def measures_of(placed: Collection[LimbLandmark]) -> tuple[LimbMeasure, ...]:
    """List what can be measured once these landmarks are placed.

    Examples
    --------
    >>> measures_of({*FEMORAL_LINE, *TIBIAL_LINE})
    (<LimbMeasure.JOINT_LINE_CONVERGENCE: 'joint line convergence angle'>,)
    """
    return tuple(measure for measure in LimbMeasure if set(NEEDED[measure]) <= set(placed))


def limb_measures(places: Mapping[LimbLandmark, FloatArray]) -> dict[LimbMeasure, FloatArray]:
    """Calculate the alignment from landmarks in the plane of the radiograph.

    `places` has `[x, y]` of each landmark that is placed, shape (2,) or (2, cases); y down, any
    unit. The angles that these allow to be measured are in degrees, the deviation in that unit.

    Notes
    -----
    Which way is medial follows from the joint lines, so that left and right legs, and images shown
    from behind, give the same. Varus = lateral distal femoral - medial proximal tibial
    + convergence, whatever the configuration.

    Examples
    --------
    >>> straight = {
    ...     "hip_centre": (0, 0), "femoral_knee_centre": (0, 430), "tibial_knee_centre": (0, 432),
    ...     "ankle_centre": (0, 800), "tibial_line_medial": (25, 432),
    ...     "tibial_line_lateral": (-25, 432),
    ... }
    >>> found = limb_measures({LimbLandmark(n): np.array(at) for n, at in straight.items()})
    >>> round(float(found[LimbMeasure.HIP_KNEE_ANKLE]), 6)
    180.0
    """

    def turn(one: Line, other: Line) -> FloatArray:
        return medial * _turn_deg(_along(places, one), _along(places, other))

    def deviation() -> FloatArray:
        load = _along(places, (FEMUR[0], TIBIA[1]))
        height = _cross(load, _along(places, (FEMUR[0], TIBIA[0]))) / np.hypot(*load)
        return np.asarray(-medial * height, dtype=np.float64)

    formulas: dict[LimbMeasure, Callable[[], FloatArray]] = {
        LimbMeasure.HIP_KNEE_ANKLE: lambda: 180.0 - turn(FEMUR, TIBIA),
        LimbMeasure.VARUS: lambda: turn(FEMUR, TIBIA),
        LimbMeasure.LATERAL_DISTAL_FEMORAL: lambda: turn(FEMUR, FEMORAL_LINE),
        LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: lambda: turn(TIBIA, TIBIAL_LINE),
        LimbMeasure.JOINT_LINE_CONVERGENCE: lambda: turn(FEMORAL_LINE, TIBIAL_LINE),
        LimbMeasure.AXIS_DEVIATION: deviation,
    }
    wanted = measures_of(places)
    medial = _medial_sign(places) if wanted else np.array(0.0)
    return {measure: formulas[measure]() for measure in wanted}


def _medial_sign(places: Mapping[LimbLandmark, FloatArray]) -> FloatArray:
    """Side of the downward direction on which medial lies: 1 if it is left of it, y down."""
    lines = [line for line in (TIBIAL_LINE, FEMORAL_LINE) if set(line) <= set(places)]
    axes = [axis for axis in (FEMUR, TIBIA) if set(axis) <= set(places)]
    if axes:
        down = _along(places, axes[0])
    else:
        tibial, femoral = (places[line[0]] + places[line[1]] for line in lines)
        down = tibial - femoral
    return np.asarray(np.sign(_cross(down, _along(places, lines[0]))), dtype=np.float64)


def _along(places: Mapping[LimbLandmark, FloatArray], line: Line) -> FloatArray:
    return np.asarray(places[line[1]] - places[line[0]], dtype=np.float64)


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[0] * other[1] - one[1] * other[0], dtype=np.float64)


def _turn_deg(one: FloatArray, other: FloatArray) -> FloatArray:
    """Angle from one direction to another, signed, degrees."""
    dot = one[0] * other[0] + one[1] * other[1]
    return np.asarray(np.degrees(np.arctan2(_cross(one, other), dot)), dtype=np.float64)


def check_leg(places: Mapping[LimbLandmark, FloatArray]) -> None:
    """Refuse landmarks that cannot be those of one leg, by the `[x, y]` of those that are placed.

    Raises
    ------
    LandmarkError
        If two landmarks of one line coincide, hip, knee and ankle are not in a row, or one bone is
        much shorter than the other.
    """
    lines = [line for line in (FEMUR, TIBIA, FEMORAL_LINE, TIBIAL_LINE) if set(line) <= set(places)]
    along = {line: _along(places, line) for line in lines}
    for line in lines:
        if not np.any(along[line]):
            raise LandmarkError(
                f"{line[0]} and {line[1]} coincide. Check both landmarks of the leg."
            )
    if FEMUR not in along or TIBIA not in along:
        return
    lengths = [float(np.hypot(*along[bone])) for bone in (FEMUR, TIBIA)]
    in_a_row = float(along[FEMUR] @ along[TIBIA]) > 0
    if not (in_a_row and min(lengths) > (1 - MOST_SHORTENED) * max(lengths)):
        raise LandmarkError(
            "Hip, knee and ankle are not in a row, or femur and tibia differ too much in length."
            " Check which landmark is which."
        )

"""Alignment of the leg on a long standing radiograph: axes, joint lines, and the load's path."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

import numpy as np

from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.projection import (
    PLACEMENT_SD_PX,
    Pixel,
    ProjectionScale,
    projected,
)
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity

MOST_SHORTENED = 0.35
"""Femur and tibia differ in length by less than this share; more is a misplaced landmark (common
practice, no source)."""


class LimbLandmark(StrEnum):
    """A landmark of the leg on a radiograph taken from the front."""

    HIP_CENTRE = "hip_centre"
    """Centre of the femoral head."""
    FEMORAL_KNEE_CENTRE = "femoral_knee_centre"
    """Middle of the distal femur at its notch."""
    TIBIAL_KNEE_CENTRE = "tibial_knee_centre"
    """Middle between the tibial eminences."""
    ANKLE_CENTRE = "ankle_centre"
    """Middle of the talar dome."""
    FEMORAL_LINE_MEDIAL = "femoral_line_medial"
    """Lowest point of the medial condyle."""
    FEMORAL_LINE_LATERAL = "femoral_line_lateral"
    TIBIAL_LINE_MEDIAL = "tibial_line_medial"
    """Middle of the medial plateau."""
    TIBIAL_LINE_LATERAL = "tibial_line_lateral"


class LimbMeasure(StrEnum):
    """The measures of the leg."""

    HIP_KNEE_ANKLE = "hip-knee-ankle angle"
    VARUS = "varus of the leg"
    LATERAL_DISTAL_FEMORAL = "mechanical lateral distal femoral angle"
    MEDIAL_PROXIMAL_TIBIAL = "medial proximal tibial angle"
    JOINT_LINE_CONVERGENCE = "joint line convergence angle"
    AXIS_DEVIATION = "mechanical axis deviation"


SOURCE = {
    LimbMeasure.HIP_KNEE_ANKLE: "180 degrees is straight, less is varus",
    LimbMeasure.VARUS: "180 degrees less the hip-knee-ankle angle, negative in valgus",
    LimbMeasure.LATERAL_DISTAL_FEMORAL: "usually 87 (85 to 90) degrees (Paley 2002, FROM MEMORY)",
    LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: "usually 87 (85 to 90) degrees (Paley 2002, FROM MEMORY)",
    LimbMeasure.JOINT_LINE_CONVERGENCE: "positive where the joint opens laterally; usually 0 to 2"
    " degrees (Paley 2002, FROM MEMORY)",
    LimbMeasure.AXIS_DEVIATION: "knee centre to the line from hip to ankle, positive where the line"
    " passes medially; usually 8 +- 7 mm (Paley 2002, FROM MEMORY)",
}
"""What each measure is, and the range that Paley D, Principles of Deformity Correction, gives."""


def limb_measures(places: Mapping[str, FloatArray]) -> dict[LimbMeasure, FloatArray]:
    """Calculate the alignment from landmarks in the plane of the radiograph.

    Parameters
    ----------
    places
        `[x, y]` of every `LimbLandmark`, shape (2,) or (2, cases); y down, any unit.

    Returns
    -------
    dict
        Degrees, and the deviation in the unit of the places.

    Notes
    -----
    Which way is medial follows from the joint line of the tibia, so that left and right legs, and
    images shown from behind, give the same. Varus = lateral distal femoral - medial proximal tibial
    + convergence, whatever the configuration.

    Examples
    --------
    >>> straight = {
    ...     "hip_centre": (0, 0), "femoral_knee_centre": (0, 430), "tibial_knee_centre": (0, 432),
    ...     "ankle_centre": (0, 800), "femoral_line_medial": (25, 430),
    ...     "femoral_line_lateral": (-25, 430), "tibial_line_medial": (25, 432),
    ...     "tibial_line_lateral": (-25, 432),
    ... }
    >>> found = limb_measures({name: np.array(place) for name, place in straight.items()})
    >>> round(float(found[LimbMeasure.HIP_KNEE_ANKLE]), 6)
    180.0
    """
    at = {LimbLandmark(name): place for name, place in places.items()}
    femur = at[LimbLandmark.FEMORAL_KNEE_CENTRE] - at[LimbLandmark.HIP_CENTRE]
    tibia = at[LimbLandmark.ANKLE_CENTRE] - at[LimbLandmark.TIBIAL_KNEE_CENTRE]
    line_femur = at[LimbLandmark.FEMORAL_LINE_MEDIAL] - at[LimbLandmark.FEMORAL_LINE_LATERAL]
    line_tibia = at[LimbLandmark.TIBIAL_LINE_MEDIAL] - at[LimbLandmark.TIBIAL_LINE_LATERAL]
    medial = np.sign(_cross(femur, line_tibia))
    varus = medial * _turn_deg(femur, tibia)
    load = at[LimbLandmark.ANKLE_CENTRE] - at[LimbLandmark.HIP_CENTRE]
    knee = at[LimbLandmark.TIBIAL_KNEE_CENTRE] - at[LimbLandmark.HIP_CENTRE]
    return {
        LimbMeasure.HIP_KNEE_ANKLE: 180.0 - varus,
        LimbMeasure.VARUS: varus,
        LimbMeasure.LATERAL_DISTAL_FEMORAL: medial * _turn_deg(femur, line_femur),
        LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: medial * _turn_deg(tibia, line_tibia),
        LimbMeasure.JOINT_LINE_CONVERGENCE: medial * _turn_deg(line_femur, line_tibia),
        LimbMeasure.AXIS_DEVIATION: -medial * _cross(load, knee) / np.hypot(*load),
    }


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[0] * other[1] - one[1] * other[0], dtype=np.float64)


def _turn_deg(one: FloatArray, other: FloatArray) -> FloatArray:
    """Angle from one direction to another, signed, degrees."""
    dot = one[0] * other[0] + one[1] * other[1]
    return np.asarray(np.degrees(np.arctan2(_cross(one, other), dot)), dtype=np.float64)


def limb_part(
    pixels: Mapping[str, Pixel], scale: ProjectionScale, *, sd_px: float = PLACEMENT_SD_PX
) -> CasePart:
    """Give the alignment of the leg as a part of the case.

    Parameters
    ----------
    pixels
        Every `LimbLandmark` on the radiograph.
    scale
        Size of its pixels.
    sd_px
        Standard deviation of each landmark, each way.

    Raises
    ------
    LandmarkError
        If a landmark is missing, or hip, knee and ankle are not in a row.
    """
    missing = [name for name in LimbLandmark if name not in pixels]
    if missing:
        raise LandmarkError(
            f"The alignment needs {', '.join(missing)} too. Place every landmark of the leg."
        )
    _check_order({name: scale.plane(np.array(pixels[name])) for name in LimbLandmark})
    measures = list(LimbMeasure)
    results = projected(
        lambda places: [limb_measures(places)[measure] for measure in measures],
        {name: pixels[name] for name in LimbLandmark},
        scale,
        sd_px=sd_px,
    )
    found = dict(zip(measures, results, strict=True))
    if not scale.measures_lengths:
        del found[LimbMeasure.AXIS_DEVIATION]
    quantities = tuple(
        TracedQuantity(
            measure.value, result.value,
            "mm" if measure is LimbMeasure.AXIS_DEVIATION else "deg",
            result.u, Basis.READER, source=SOURCE[measure],
        )
        for measure, result in found.items()
    )  # fmt: skip
    gaps = () if scale.measures_lengths else (
        f"The {LimbMeasure.AXIS_DEVIATION} is not given: {scale.calibration.words}. Give the edges"
        " and the size of a calibration ball.",
    )  # fmt: skip
    return CasePart(
        "Alignment of the leg", quantities, (f"Radiograph {scale.calibration.words}.",), gaps
    )


def _check_order(places: Mapping[LimbLandmark, FloatArray]) -> None:
    femur = places[LimbLandmark.FEMORAL_KNEE_CENTRE] - places[LimbLandmark.HIP_CENTRE]
    tibia = places[LimbLandmark.ANKLE_CENTRE] - places[LimbLandmark.TIBIAL_KNEE_CENTRE]
    lengths = [float(np.hypot(*bone)) for bone in (femur, tibia)]
    in_a_row = float(femur @ tibia) > 0
    if not (in_a_row and min(lengths) > (1 - MOST_SHORTENED) * max(lengths)):
        raise LandmarkError(
            "Hip, knee and ankle are not in a row, or femur and tibia differ too much in length."
            " Check which landmark is which."
        )

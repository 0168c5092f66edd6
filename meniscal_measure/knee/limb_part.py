"""The alignment of the leg as a part of the case, from landmarks on a radiograph."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from meniscal_measure.knee.limb import (
    NEEDED,
    LimbLandmark,
    LimbMeasure,
    check_leg,
    limb_measures,
    measures_of,
)
from meniscal_measure.knee.projection import PLACEMENT_SD_PX, Pixel, ProjectionScale, projected
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, TracedSlice

TITLE = "Alignment of the leg"

DEFINITIONS = {
    LimbMeasure.HIP_KNEE_ANKLE: "180 degrees is straight, less is varus",
    LimbMeasure.VARUS: "180 degrees less the hip-knee-ankle angle, negative in valgus",
    LimbMeasure.LATERAL_DISTAL_FEMORAL: "axis of the femur to the line of its condyles",
    LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: "axis of the tibia to the line of its plateaus",
    LimbMeasure.JOINT_LINE_CONVERGENCE: "positive where the joint opens laterally",
    LimbMeasure.AXIS_DEVIATION: "knee centre to the line from hip to ankle, positive where the line"
    " passes medially",
}
"""What each measure is, and what its sign means."""


def limb_part(
    pixels: Mapping[LimbLandmark, Pixel],
    scale: ProjectionScale,
    where: tuple[TracedSlice, ...] = (),
    *,
    sd_px: float = PLACEMENT_SD_PX,
) -> CasePart:
    """Give the alignment of the leg as a part; what is missing for a measure is a gap of it.

    `where` names the radiograph; `sd_px` is the standard deviation of each landmark, each way.

    Raises
    ------
    LandmarkError
        As `check_leg`.
    """
    check_leg({name: scale.plane(np.array(pixel)) for name, pixel in pixels.items()})
    measures = measures_of(pixels)
    results = () if not measures else projected(
        lambda places: list(limb_measures(places).values()), pixels, scale, sd_px=sd_px
    )  # fmt: skip
    quantities = tuple(
        TracedQuantity(
            measure.value, result.value,
            "mm" if measure is LimbMeasure.AXIS_DEVIATION else "deg",
            result.u, Basis.READER, where,
            "; ".join(filter(None, (DEFINITIONS[measure], published().normal_words(measure)))),
        )
        for measure, result in zip(measures, results, strict=True)
        if measure is not LimbMeasure.AXIS_DEVIATION or scale.measures_lengths
    )  # fmt: skip
    return CasePart(
        TITLE, quantities, (f"Radiograph {scale.calibration.words}.",), _gaps(pixels, scale)
    )


def _gaps(placed: Mapping[LimbLandmark, Pixel], scale: ProjectionScale) -> tuple[str, ...]:
    missing = [name for name in LimbLandmark if name not in placed]
    undone = [measure for measure in NEEDED if measure not in measures_of(placed)]
    gaps = []
    if missing and undone:
        gaps.append(f"Place {', '.join(missing)} for: {', '.join(undone)}.")
    if LimbMeasure.AXIS_DEVIATION not in undone and not scale.measures_lengths:
        gaps.append(
            f"The {LimbMeasure.AXIS_DEVIATION} is not given: {scale.calibration.words}. Place"
            " ball_edge_a and ball_edge_b on a calibration ball and give ball_diameter_mm under"
            " [radiograph]."
        )
    return tuple(gaps)

"""What is asked about a radiograph of the leg; nothing where there is none."""

from __future__ import annotations

from collections.abc import Collection

from meniscal_measure.knee.limb import LimbLandmark, LimbMeasure
from meniscal_measure.knee.projection import BALL_EDGES
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.questions import OpenQuestion

ON_RADIOGRAPHS = frozenset({*LimbLandmark, *BALL_EDGES})
"""Names of landmarks that are placed on radiographs, not on slices."""

LIMB_QUESTIONS = {
    LimbLandmark.HIP_CENTRE: "centre of the femoral head",
    LimbLandmark.FEMORAL_KNEE_CENTRE: "middle of the distal femur, at its notch",
    LimbLandmark.TIBIAL_KNEE_CENTRE: "middle between the tibial eminences",
    LimbLandmark.ANKLE_CENTRE: "middle of the talar dome",
    LimbLandmark.FEMORAL_LINE_MEDIAL: "lowest point of the medial condyle",
    LimbLandmark.FEMORAL_LINE_LATERAL: "lowest point of the lateral condyle",
    LimbLandmark.TIBIAL_LINE_MEDIAL: "middle of the medial plateau",
    LimbLandmark.TIBIAL_LINE_LATERAL: "middle of the lateral plateau",
}
"""Landmarks of the leg, and where each lies."""


def limb_questions(placed: Collection[str], where: TracedSlice) -> tuple[OpenQuestion, ...]:
    """Ask for the landmarks of the leg that are not placed.

    Parameters
    ----------
    placed
        Names of landmarks that are placed on any radiograph.
    where
        The radiograph on which to place the others.
    """
    measures = {
        "hip": f"{LimbMeasure.HIP_KNEE_ANKLE}, {LimbMeasure.AXIS_DEVIATION}",
        "line": f"angles of the joint lines, {LimbMeasure.JOINT_LINE_CONVERGENCE}",
    }
    return tuple(
        OpenQuestion(
            f"landmark.{name}",
            f"Where is the {words} on the {where}?",
            f"for: {measures['line' if 'line' in name else 'hip']}",
            None,
            where=where,
        )
        for name, words in LIMB_QUESTIONS.items()
        if name not in placed
    )

"""How sure the networks are, in millimetres and probabilities, fitted on knees never trained on.

The constants were fitted to the table that `training.evaluate` writes; the model card beside the
networks says on which knees, and what came of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.margins import Margin
from meniscal_measure.locate.survey import Survey

SD_FACTOR = np.array([0.6, 2.2, 1.0])
SD_POWER = np.array([1.0, 2.25, 1.0])
"""Standard deviation of rim, outer edge and free edge in mm: factor times a power of what the
network states and the augmentations differ by. An unsure edge is worse than the network says.
"""
STATED_COUNTS = np.array([1.0, 1.0, 0.0])
"""The free edge is read off the outline, of which the stated deviation knows nothing."""
LEAST_SD_MM = np.array([0.12, 0.12, 0.8])
"""Standard deviation where networks and augmentations agree wholly."""
GOOD_MM = 1.5
"""A landmark this near to the truth, along the joint line, counts as well placed."""
MOST_CONFIDENCE = 0.99
"""Of the 211 stacks of the calibration all were well placed, which bears out no more than this."""
LEAST_CONFIDENCE = 0.2
"""Below this nothing is proposed."""
LEAST_CORONAL, LEAST_MEASURABLE = 0.5, 0.5
"""Least probability that the middle slices show a coronal knee, and one that can be measured."""
WORST_DISAGREEMENT_MM = 8.0
"""Slices that disagree more about where the middle lies are no ordinary knee."""
MOST_OFF_MIDDLE_MM = 4.0
"""Farthest the measured slice may lie from the middle.

Slices are up to 5 mm apart, so a whole stack has one within 2.5 mm; farther off, the middle lies
beyond an end of the stack or in a gap of it.
"""
WORST_TIP_SD_MM = 3.0
"""A free edge less sure than this is left out."""


def sd_mm(margin: Margin) -> FloatArray:
    """Calibrated standard deviation of rim, outer edge and free edge along the joint line."""
    combined = np.hypot(STATED_COUNTS * margin.sd_mm, margin.spread_mm)
    return np.asarray(np.maximum(SD_FACTOR * combined**SD_POWER, LEAST_SD_MM))


def doubt(survey: Survey, index: int) -> float:
    """Probability by the first stage alone that the chosen slice can be measured."""
    return float(survey.coronal[_near(survey, index)].min() * survey.measurable[index])


def confidence(survey: Survey, index: int, margins: Sequence[Margin]) -> float:
    """Probability that both rims and outer edges are well placed on the chosen slice."""
    sds = [float(sd) for margin in margins for sd in sd_mm(margin)[:2]]
    placed = math.prod(math.erf(GOOD_MM / (sd * math.sqrt(2))) for sd in sds)
    return min(doubt(survey, index) * placed, MOST_CONFIDENCE)


def refusal(survey: Survey, index: int, disagreement_mm: float, off_middle_mm: float) -> str:
    """Why nothing is proposed, or an empty string.

    Parameters
    ----------
    survey
        What the first stage found.
    index
        The slice that would be measured, nearest to the middle.
    disagreement_mm
        How far the slices disagree about where the middle lies.
    off_middle_mm
        Distance of that slice from the middle.
    """
    near = _near(survey, index)
    if survey.coronal[near].mean() < LEAST_CORONAL:
        return (
            "The pictures do not look like a coronal knee with the whole joint in view; choose"
            " another series or place the landmarks by hand."
        )
    if survey.measurable[near].max() < LEAST_MEASURABLE or disagreement_mm > WORST_DISAGREEMENT_MM:
        return (
            "No slice shows the bodies of both menisci clearly enough; place the landmarks by hand."
        )
    if off_middle_mm > MOST_OFF_MIDDLE_MM:
        return (
            f"The middle of the joint seems to lie {off_middle_mm:.1f} mm from the nearest slice,"
            " past an end of the stack or in a gap; find the missing slices or place the landmarks"
            " by hand."
        )
    return ""


def _near(survey: Survey, index: int) -> slice:
    return slice(max(index - 1, 0), min(index + 2, len(survey.coronal)))

"""How sure the networks are, in millimetres and probabilities, fitted off the training world too.

The standard deviations are what `training.calibrate` gives for 100 slices of a second generator
that shares no code with training, for the same slices corrupted, and for 118 menisci of held-out
stacks; the confidence is fitted to the slices of the second generator, as they are and corrupted.
The model card beside the networks says what came of it on each world.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.margins import Margin

LEAST_SD_MM = np.array([0.13, 0.14, 0.25])
STATED_FACTOR = np.array([0.64, 0.44, 0.40])
SPREAD_FACTOR = np.array([0.78, 1.70, 2.97])
ELSEWHERE_FACTOR_MM = np.array([1.92, 1.46, 2.53])
"""Standard deviation of rim, outer edge and free edge: root of the sum of squares of a least value
in mm, of what the networks state, of how far the augmentations differ, and of the share of the heat
map that does not lie near the landmark, each times its factor."""
GOOD_MM = 1.5
"""A landmark this near to the truth, along the joint line, counts as well placed."""
MOST_CONFIDENCE = 0.9
"""Where nothing speaks against a slice of the second generator, nine in ten are well placed."""
SHARED = 0.6
"""Exponent on the product of four probabilities: landmarks of one slice err together."""
DOUBT_COST = 0.2
"""Confidence falls by e to the minus this for each unit of doubt, see `verdict`."""
UNUSUAL_COST = 0.85
"""Factor on the confidence for each way in which the images are unlike those of the training: by
judgement, no data."""
WORST_FREE_EDGE_SD_MM = 3.0
"""A free edge less sure than this is left out."""


def sd_mm(margin: Margin) -> FloatArray:
    """Calibrated standard deviation of rim, outer edge and free edge along the joint line."""
    parts = (
        LEAST_SD_MM,
        STATED_FACTOR * margin.sd_mm,
        SPREAD_FACTOR * margin.spread_mm,
        ELSEWHERE_FACTOR_MM * (1 - margin.mass),
    )
    return np.asarray(np.sqrt(sum(part**2 for part in parts)))


def confidence(margins: Sequence[Margin], doubt: float, unusual: int = 0) -> float:
    """Probability that both rims and outer edges are well placed on the chosen slice.

    Parameters
    ----------
    margins
        The margins of the slice, left and right.
    doubt
        That the slice is one of a knee, see `verdict`.
    unusual
        Number of ways in which the images are unlike those of the training.
    """
    sds = [float(sd) for margin in margins for sd in sd_mm(margin)[:2]]
    placed = math.prod(math.erf(GOOD_MM / (sd * math.sqrt(2))) for sd in sds) ** SHARED
    cost = math.exp(-DOUBT_COST * doubt) * UNUSUAL_COST**unusual
    return min(placed * cost, MOST_CONFIDENCE)

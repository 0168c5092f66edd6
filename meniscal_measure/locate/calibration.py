"""How sure the networks are, in millimetres and probabilities, fitted off the training world too.

The standard deviations were fitted to 126 slices of a second generator that shares no code with
training, the rest to the tables that `training.evaluate` writes. The model card beside the networks
says what came of it on each world.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.margins import Margin

LEAST_SD_MM = np.array([0.26, 0.21, 0.44])
STATED_FACTOR = np.array([0.58, 0.42, 0.88])
SPREAD_FACTOR = np.array([1.28, 2.09, 5.15])
"""Standard deviation of rim, outer edge and free edge in mm: root of the sum of squares of a least
value, of what the networks state and of what the augmentations differ by, each times its factor.
"""
GOOD_MM = 1.5
"""A landmark this near to the truth, along the joint line, counts as well placed."""
MOST_CONFIDENCE = 0.95
"""No more is borne out: real knees that bear on it are too few."""
DOUBT_COST = 0.5
"""Confidence falls by e to the minus this for each unit of doubt, see `verdict`."""
UNUSUAL_COST = 0.85
"""Factor on the confidence for each way in which the images are unlike those of the training: by
judgement, no data."""
WORST_FREE_EDGE_SD_MM = 3.0
"""A free edge less sure than this is left out."""


def sd_mm(margin: Margin) -> FloatArray:
    """Calibrated standard deviation of rim, outer edge and free edge along the joint line."""
    parts = (LEAST_SD_MM, STATED_FACTOR * margin.sd_mm, SPREAD_FACTOR * margin.spread_mm)
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
        Ways in which the images are unlike those of the training.
    """
    sds = [float(sd) for margin in margins for sd in sd_mm(margin)[:2]]
    placed = math.prod(math.erf(GOOD_MM / (sd * math.sqrt(2))) for sd in sds)
    cost = math.exp(-DOUBT_COST * doubt) * UNUSUAL_COST**unusual
    return min(placed * cost, MOST_CONFIDENCE)

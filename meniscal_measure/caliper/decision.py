"""Comparison of an extrusion with the threshold: the plain rule and the guarded decision."""

from __future__ import annotations

import math
from typing import NamedTuple

from meniscal_measure.caliper.reading import Conventions, Decision, ThresholdRule

TIE_TOLERANCE_MM = 1e-6
"""A value this close to a cut point counts as lying exactly on it.

Coordinates pass through pixel spacings and direction cosines, which leave rounding noise of about
1e-13 mm; no measurement resolves a nanometre. Without this, a value of exactly 3 mm would fall on
either side by the accident of its last bit.
"""

DECISION_PROBABILITY = 0.95
"""Probability that must be reached before the decision leaves `undecided`.

A guard band of 1.645 u on both sides of the threshold, which keeps the specific risk of a wrong
decision at 5 % or less (JCGM 106:2012, guarded acceptance and guarded rejection).
"""


class Comparison(NamedTuple):
    """How an extrusion compares with the threshold, named as the fields of `Extrusion`."""

    probability_above_threshold: float
    flag: bool
    decision: Decision


def compare(extrusion_mm: float, u_mm: float, conventions: Conventions) -> Comparison:
    """Compare an extrusion and its standard uncertainty with the threshold.

    Examples
    --------
    >>> compare(3.2, 0.25, Conventions()).decision
    <Decision.UNDECIDED: 'undecided'>
    """
    probability = probability_above(extrusion_mm, u_mm, conventions.threshold_mm)
    return Comparison(probability, flag(extrusion_mm, conventions), decide(probability))


def is_above(value_mm: float, cut_mm: float) -> bool:
    """Whether a value is strictly above a cut point, ties within `TIE_TOLERANCE_MM` not counted.

    Examples
    --------
    >>> is_above(3.0, 3.0), is_above(3.01, 3.0)
    (False, True)
    """
    return value_mm > cut_mm + TIE_TOLERANCE_MM


def is_at_or_above(value_mm: float, cut_mm: float) -> bool:
    """Whether a value is above a cut point or on it, within `TIE_TOLERANCE_MM`.

    Examples
    --------
    >>> is_at_or_above(3.0, 3.0), is_at_or_above(2.99, 3.0)
    (True, False)
    """
    return value_mm >= cut_mm - TIE_TOLERANCE_MM


def flag(extrusion_mm: float, conventions: Conventions) -> bool:
    """Apply the plain threshold rule to the unrounded value.

    Examples
    --------
    >>> flag(3.0, Conventions())
    False
    >>> flag(3.0, Conventions(threshold_rule=ThresholdRule.AT_OR_ABOVE))
    True
    """
    if conventions.threshold_rule is ThresholdRule.ABOVE:
        return is_above(extrusion_mm, conventions.threshold_mm)
    return is_at_or_above(extrusion_mm, conventions.threshold_mm)


def probability_above(value_mm: float, u_mm: float, cut_mm: float) -> float:
    """Probability that the true value lies above a cut point, for a normal distribution.

    `u_mm` is the standard uncertainty of the value; with none the probability is 1 or 0 (JCGM
    106:2012, conformance probability for a single limit).

    Examples
    --------
    >>> round(probability_above(3.2, 0.25, 3.0), 3)
    0.788
    """
    if u_mm == 0:
        return float(is_above(value_mm, cut_mm))
    return 0.5 * math.erfc((cut_mm - value_mm) / (u_mm * math.sqrt(2)))


def decide(probability: float) -> Decision:
    """Turn the probability of lying above the threshold into the three-way decision.

    Examples
    --------
    >>> [decide(probability).value for probability in (0.99, 0.5, 0.01)]
    ['above', 'undecided', 'not_above']
    """
    if probability >= DECISION_PROBABILITY:
        return Decision.ABOVE
    if probability <= 1 - DECISION_PROBABILITY:
        return Decision.NOT_ABOVE
    return Decision.UNDECIDED

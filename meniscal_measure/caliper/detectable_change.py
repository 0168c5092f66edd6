"""The change of a measured value between two examinations, and whether it is beyond error."""

from __future__ import annotations

import math
from dataclasses import dataclass

from meniscal_measure.caliper.uncertainty import coverage_factor

NORMAL_95 = 1.96
"""Two-sided 95 % multiplier of the normal distribution, as the literature rounds it."""


def smallest_detectable_change(sem: float) -> float:
    """Change between two single readings that their error alone would exceed 1 time in 20.

    1.96 x sqrt(2) x SEM, the standard error of measurement of one reading (Weir JP. J Strength Cond
    Res 2005;19:231-240).

    Examples
    --------
    >>> round(smallest_detectable_change(1.64**0.5), 2)
    3.55
    """
    return NORMAL_95 * math.sqrt(2) * sem


@dataclass(frozen=True)
class Change:
    """Follow-up minus baseline of one value, in its unit.

    Examples
    --------
    >>> change = Change(-1.4, 0.4, 0.81)
    >>> change.exceeds_detectable, change.exceeds_uncertainty
    (True, True)
    >>> Change(0.1, 0.4, 0.81).verdict
    'within the error of measurement'
    """

    value: float
    u: float
    detectable: float
    """Smallest detectable change of the method."""

    @property
    def interval95(self) -> tuple[float, float]:
        """Ends of the 95 % interval."""
        half = coverage_factor(math.inf) * self.u
        return self.value - half, self.value + half

    @property
    def exceeds_detectable(self) -> bool:
        """Whether the change is larger than the smallest detectable one."""
        return abs(self.value) > self.detectable

    @property
    def exceeds_uncertainty(self) -> bool:
        """Whether the 95 % interval leaves out 0."""
        low, high = self.interval95
        return low > 0 or high < 0

    @property
    def verdict(self) -> str:
        """What the two rules say together; where they disagree, that it is not settled."""
        if self.exceeds_detectable and self.exceeds_uncertainty:
            return "more than before" if self.value > 0 else "less than before"
        if self.exceeds_detectable or self.exceeds_uncertainty:
            return "not settled: of the two rules for a change beyond error only one is met"
        return "within the error of measurement"

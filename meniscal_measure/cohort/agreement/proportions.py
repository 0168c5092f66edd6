"""Proportions with their intervals."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Literal

from scipy import stats

from meniscal_measure.cohort.agreement.estimates import LEVEL, Estimate, tail
from meniscal_measure.errors import AgreementError


class ProportionInterval(StrEnum):
    """How the interval of a proportion is worked out."""

    WILSON = "Wilson"
    CLOPPER_PEARSON = "Clopper-Pearson"

    @property
    def source(self) -> str:
        """Where the interval was published."""
        if self is ProportionInterval.WILSON:
            return "Wilson EB. J Am Stat Assoc 1927;22:209-212 (score interval)"
        return "Clopper CJ, Pearson ES. Biometrika 1934;26:404-413 (exact interval)"


def proportion(
    name: str,
    hits: int,
    total: int,
    *,
    interval: ProportionInterval = ProportionInterval.WILSON,
    level: float = LEVEL,
) -> Estimate:
    """Estimate a proportion.

    Parameters
    ----------
    name
        What the proportion is of.
    hits, total
        Counts, `0 <= hits <= total`.
    interval, level
        Kind and confidence level of the interval.

    Returns
    -------
    Estimate
        A fraction; NaN with the interval 0 to 1 where there is no case.

    Examples
    --------
    >>> round(proportion("sensitivity", 28, 30).value, 3)
    0.933
    """
    tail(level)
    if not 0 <= hits <= total:
        raise AgreementError(
            f"{name}: {hits} of {total} is no proportion. Give no more hits than cases, none"
            " negative."
        )
    if total == 0:
        return Estimate(name, math.nan, 0.0, 1.0, source=interval.source)
    method: Literal["wilson", "exact"] = (
        "wilson" if interval is ProportionInterval.WILSON else "exact"
    )
    bounds = stats.binomtest(hits, total).proportion_ci(level, method)
    return Estimate(name, hits / total, float(bounds.low), float(bounds.high), "", interval.source)

"""Limits of agreement when each case was read several times by both readers or methods."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import TAIL, Cases, Estimate, as_floats, require
from meniscal_measure.cohort.agreement.labels import Labels
from meniscal_measure.cohort.agreement.limits import LIMIT_SDS, LimitsOfAgreement
from meniscal_measure.errors import AgreementError

SOURCE = (
    "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (repeated measurements);"
    " intervals: Zou GY. Stat Methods Med Res 2013;22:630-642"
)


@dataclass(frozen=True)
class _Part:
    """A mean square that enters the variance of the difference with a weight."""

    weighted: float
    freedom: int


def repeated_limits(cases: ArrayLike, first: ArrayLike, second: ArrayLike) -> LimitsOfAgreement:
    """Compare two readers or methods that read each case several times, in pairs.

    The true value may change from one pair to the next, as between the knees of a subject.

    Parameters
    ----------
    cases
        Label of the case of each pair, shape (n,).
    first, second
        Readings, mm, shape (n,), none missing.

    Returns
    -------
    LimitsOfAgreement
        For the difference of single readings. Intervals by recovery of variance estimates.

    Raises
    ------
    AgreementError
        If there are fewer than three cases, or none was read twice.

    Examples
    --------
    >>> found = repeated_limits([*"aabbcc"], [2.0, 2.5, 3.0, 3.2, 4.0, 4.6], [2, 2, 3, 3, 4, 4])
    >>> round(found.bias.value, 2), found.cases.used
    (0.22, 3)
    """
    codes, difference = Labels.of(cases).codes, as_floats(first) - as_floats(second)
    counts = np.bincount(codes)
    require(counts.size, 3, "Limits of agreement with repeats")
    freedom = int(codes.size - counts.size)
    if freedom < 1:
        raise AgreementError(
            "No case was read twice by the same reader; use the limits for single readings."
        )
    means = np.bincount(codes, difference) / counts
    within = float(((difference - means[codes]) ** 2).sum() / freedom)
    hidden = float(1 - (1 / counts).mean()) * within  # by averaging over the pairs of a case
    parts = [_Part(hidden, freedom), _Part(float(means.var(ddof=1)), means.size - 1)]
    return _limits(float(means.mean()), parts, Cases(means.size, noun="subjects"))


def _limits(bias: float, parts: list[_Part], cases: Cases) -> LimitsOfAgreement:
    variance = sum(part.weighted for part in parts)
    sd, m = math.sqrt(variance), LIMIT_SDS
    sd_low, sd_high = _sd_interval(variance, parts)
    t = float(stats.t.ppf(1 - TAIL, cases.used - 1))
    half = t * math.sqrt(parts[-1].weighted / cases.used)
    near, far = math.hypot(half, m * (sd - sd_low)), math.hypot(half, m * (sd_high - sd))
    low, high = bias - m * sd, bias + m * sd
    names = ("Lower limit of agreement", "Upper limit of agreement")
    return LimitsOfAgreement(
        Estimate("Mean difference", bias, bias - half, bias + half, "mm", SOURCE),
        Estimate(names[0], low, low - far, low + near, "mm", SOURCE),
        Estimate(names[1], high, high - near, high + far, "mm", SOURCE),
        sd,
        cases,
    )


def _sd_interval(variance: float, parts: list[_Part]) -> tuple[float, float]:
    """Recover the interval of a sum of mean squares from the interval of each."""
    weighted, freedom = np.array([[part.weighted, part.freedom] for part in parts]).T
    below = weighted * (1 - freedom / stats.chi2.ppf(1 - TAIL, freedom))
    above = weighted * (freedom / stats.chi2.ppf(TAIL, freedom) - 1)
    low, high = variance - math.hypot(*below), variance + math.hypot(*above)
    return math.sqrt(max(low, 0.0)), math.sqrt(high)

"""Limits of agreement between two readers or methods, once or repeatedly on each case."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import (
    SOURCE_JACKKNIFE,
    Error,
    complete_pairs,
    is_clustered,
    jackknife,
)
from meniscal_measure.cohort.agreement.estimates import (
    TAIL,
    Cases,
    Estimate,
    FloatArray,
    Lines,
    require,
)

SOURCE_1986 = "Bland JM, Altman DG. Lancet 1986;i:307-310"
SOURCE_EXACT = "Carkeet A. Optom Vis Sci 2015;92:e71-e80 (noncentral t)"
SOURCE_BIAS = "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (difference on mean)"

LIMIT_SDS = 1.96
"""Standard deviations from the mean difference to a limit: the central 95 % of a normal one."""


@dataclass(frozen=True)
class LimitsOfAgreement(Lines):
    """Mean difference (first minus second) and the limits about it."""

    bias: Estimate
    sd: Estimate
    """Standard deviation of the difference between single readings."""
    lower: Estimate
    upper: Estimate
    cases: Cases


@dataclass(frozen=True)
class ProportionalBias(Lines):
    """Regression of the difference on the mean of two readings."""

    slope: Estimate
    intercept: Estimate
    p: Estimate
    """Probability of so steep a slope if the true one were zero."""
    cases: Cases


def limits_about(
    bias: Estimate, sd: float, reach: tuple[float, float], cases: Cases, source: str
) -> LimitsOfAgreement:
    """Lay out limits of agreement, mm.

    `reach` is how far the interval of a limit reaches towards the bias, and away from it.
    """
    (near, far), out = reach, LIMIT_SDS * sd
    low, high = bias.value - out, bias.value + out
    return LimitsOfAgreement(
        bias,
        Estimate("SD of differences", sd, unit="mm", source=bias.source),
        Estimate("Lower limit of agreement", low, low - far, low + near, "mm", source),
        Estimate("Upper limit of agreement", high, high - near, high + far, "mm", source),
        cases,
    )


def limits_of_agreement(first: ArrayLike, second: ArrayLike) -> LimitsOfAgreement:
    """Compare two readings of each case.

    Parameters
    ----------
    first, second
        mm, shape (n,); NaN where missing.

    Notes
    -----
    A limit is a quantile of normal differences: its interval is that of the noncentral t
    distribution, the interval of the bias that of t.

    Raises
    ------
    AgreementError
        If fewer than three complete cases are left.

    Examples
    --------
    >>> result = limits_of_agreement([3.1, 4.0, 2.2, 5.1], [2.9, 4.2, 2.0, 4.8])
    >>> round(result.bias.value, 3)
    0.125
    """
    one, two, _, cases = complete_pairs(first, second)
    require(cases.used, 3, "Limits of agreement")
    difference = one - two
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    error = sd / math.sqrt(cases.used)
    tails, centre = np.array([TAIL, 1 - TAIL]), LIMIT_SDS * math.sqrt(cases.used)
    bounds = stats.nct.ppf(tails, cases.used - 1, centre)
    near, far = (error * bounds - LIMIT_SDS * sd).tolist()
    half = float(stats.t.ppf(1 - TAIL, cases.used - 1)) * error
    bias = Estimate("Mean difference", mean, mean - half, mean + half, "mm", SOURCE_1986)
    return limits_about(bias, sd, (-near, far), cases, SOURCE_EXACT)


def proportional_bias(
    first: ArrayLike, second: ArrayLike, *, subjects: ArrayLike | None = None
) -> ProportionalBias:
    """Ask whether the difference between two readings grows with their size.

    Parameters
    ----------
    first, second
        mm, shape (n,); NaN where missing.
    subjects
        Whose each case is, shape (n,); where a subject has several, the errors respect it.

    Raises
    ------
    AgreementError
        If fewer than three complete cases are left, or all their means are equal.

    Examples
    --------
    >>> found = proportional_bias([1.0, 2.2, 3.1, 4.5], [1.0, 2.0, 3.0, 4.0])
    >>> round(found.estimates[0].value, 2)
    0.13
    """
    one, two, codes, cases = complete_pairs(first, second, subjects)
    require(cases.used, 3, "The regression of the difference on the mean")
    x, y = (one + two) / 2, one - two
    require(np.unique(x).size, 2, "The regression of the difference on the mean")
    line = stats.linregress(x, y)
    errors, df = np.array([line.stderr, line.intercept_stderr]), cases.used - 2
    source, p = SOURCE_BIAS, float(line.pvalue)
    if is_clustered(codes):
        terms = np.column_stack([np.ones_like(x), x, y, x * x, x * y])
        errors, df = jackknife(terms, _line_from, codes)
        source = f"{SOURCE_BIAS}; interval: {SOURCE_JACKKNIFE}"
        p = Error(float(errors[0]), df).p_value(float(line.slope))
    names, units = ("Slope of difference on mean", "Difference at mean 0"), ("", "mm")
    values = float(line.slope), float(line.intercept)
    halves = (stats.t.ppf(1 - TAIL, df) * errors).tolist()
    slope, intercept = (
        Estimate(name, value, value - half, value + half, unit, source)
        for name, value, half, unit in zip(names, values, halves, units, strict=True)
    )
    p_line = Estimate("p of no proportional bias", p, source=SOURCE_BIAS)
    return ProportionalBias(slope, intercept, p_line, cases)


def _line_from(sums: FloatArray) -> FloatArray:
    """Slope and intercept of the least squares line."""
    n, x, y, xx, xy = sums.tolist()
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.divide(xy - x * y / n, xx - x * x / n)
    return np.array([slope, (y - slope * x) / n])


def differences_and_means(first: ArrayLike, second: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Difference and mean of the complete pairs, as a Bland-Altman plot shows them.

    Examples
    --------
    >>> difference, mean = differences_and_means([3.0, 2.0], [2.0, 2.0])
    >>> difference.tolist(), mean.tolist()
    ([1.0, 0.0], [2.5, 2.0])
    """
    one, two, *_ = complete_pairs(first, second)
    return one - two, (one + two) / 2

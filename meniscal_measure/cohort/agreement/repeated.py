"""Limits of agreement when each case was read several times by both readers or methods."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import (
    TAIL,
    Cases,
    Estimate,
    FloatArray,
    as_floats,
    require,
)
from meniscal_measure.cohort.agreement.limits import LIMIT_SDS, LimitsOfAgreement
from meniscal_measure.errors import AgreementError

SOURCE = (
    "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (repeated measurements);"
    " intervals: Zou GY. Stat Methods Med Res 2013;22:630-642"
)


class Truth(StrEnum):
    """What the true value does between the repeats on one case."""

    CONSTANT = "constant"
    """The same images read again: repeats need not be paired."""
    VARYING = "varying"
    """The knee itself may change between repeats: only paired repeats count."""


@dataclass(frozen=True)
class _Part:
    """A mean square that enters the variance of the difference with a weight."""

    weighted: float
    freedom: int


@dataclass(frozen=True)
class _Replicates:
    """Repeats gathered case by case."""

    means: FloatArray
    counts: NDArray[np.intp]
    within: float
    freedom: int

    @property
    def part(self) -> _Part:
        """What averaging over the repeats has hidden of the within-case variance."""
        return _Part(float(1 - (1 / self.counts).mean()) * self.within, self.freedom)


@dataclass(frozen=True)
class RepeatedReadings:
    """Readings of two readers or methods, several rows to a case.

    Parameters
    ----------
    cases
        Label of the case of each row, shape (n,).
    first, second
        Readings, shape (n,). NaN where there is none: with a constant truth the two may have been
        repeated different numbers of times.
    """

    cases: ArrayLike
    first: ArrayLike
    second: ArrayLike


def repeated_limits(readings: RepeatedReadings, *, truth: Truth) -> LimitsOfAgreement:
    """Compare two readers or methods that repeated their readings of each case.

    Parameters
    ----------
    readings
        One row per repeat.
    truth
        Whether the true value stays the same between the repeats of a case.

    Returns
    -------
    LimitsOfAgreement
        For the difference of single readings. Intervals by recovery of variance estimates.

    Raises
    ------
    AgreementError
        If fewer than three cases have readings of both, or no case was repeated.
    """
    codes, first, second, cases = _gather(readings)
    if truth is Truth.VARYING:
        differences = _replicates(codes, first - second)
        parts, means = [differences.part], differences.means
    else:
        one, two = _replicates(codes, first), _replicates(codes, second)
        parts, means = [one.part, two.part], one.means - two.means
    parts.append(_Part(float(means.var(ddof=1)), means.size - 1))
    return _limits(float(means.mean()), parts, cases)


def _gather(readings: RepeatedReadings) -> tuple[NDArray[np.intp], FloatArray, FloatArray, Cases]:
    """Give a number to each case that both have read, and drop the rows of the others."""
    labels, codes = np.unique(np.asarray(readings.cases), return_inverse=True)
    first, second = as_floats(readings.first), as_floats(readings.second)
    if not first.shape == second.shape == codes.shape:
        raise AgreementError(
            "The columns for case, first and second reading differ in length. Give one value of"
            " each for every row, empty where missing."
        )
    have = [np.bincount(codes[~np.isnan(v)], minlength=labels.size) > 0 for v in (first, second)]
    usable = have[0] & have[1]
    used = int(usable.sum())
    require(used, 3, "Limits of agreement with repeats")
    rows = usable[codes]
    renumbered = (np.cumsum(usable) - 1)[codes[rows]]
    return renumbered, first[rows], second[rows], Cases(used, labels.size - used, "subjects")


def _replicates(codes: NDArray[np.intp], values: FloatArray) -> _Replicates:
    present = ~np.isnan(values)
    kept, numbers = values[present], codes[present]
    counts = np.bincount(numbers)
    if not counts.all():
        raise AgreementError(
            "A case has no row on which both readings are present; with a true value that varies,"
            " repeats must be paired."
        )
    freedom = int(kept.size - counts.size)
    if freedom < 1:
        raise AgreementError(
            "No case was read twice by the same reader; use the limits for single readings."
        )
    means = np.bincount(numbers, kept) / counts
    within = float(((kept - means[numbers]) ** 2).sum() / freedom)
    return _Replicates(means, counts, within, freedom)


def _limits(bias: float, parts: list[_Part], cases: Cases) -> LimitsOfAgreement:
    variance = sum(part.weighted for part in parts)
    sd, m = math.sqrt(variance), LIMIT_SDS
    sd_low, sd_high = _sd_interval(variance, parts, TAIL)
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


def _sd_interval(variance: float, parts: list[_Part], p: float) -> tuple[float, float]:
    """Recover the interval of a sum of mean squares from the interval of each."""
    below = sum((q.weighted * (1 - q.freedom / _chi2(1 - p, q))) ** 2 for q in parts)
    above = sum((q.weighted * (q.freedom / _chi2(p, q) - 1)) ** 2 for q in parts)
    low, high = variance - math.sqrt(below), variance + math.sqrt(above)
    return math.sqrt(max(low, 0.0)), math.sqrt(high)


def _chi2(p: float, part: _Part) -> float:
    return float(stats.chi2.ppf(p, part.freedom))

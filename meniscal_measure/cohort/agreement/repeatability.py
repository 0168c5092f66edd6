"""Measurement error in the unit of the measurement: SEM, smallest detectable change, CV."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import (
    SOURCE_JACKKNIFE,
    Error,
    is_clustered,
    jackknife,
)
from meniscal_measure.cohort.agreement.estimates import (
    TAIL,
    Cases,
    Estimate,
    FloatArray,
    Lines,
    as_floats,
)
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.cohort.agreement.limits import LIMIT_SDS
from meniscal_measure.cohort.agreement.ratings import Ratings
from meniscal_measure.cohort.agreement.reliability import (
    MeanSquares,
    mean_square_terms,
    mean_squares,
    mean_squares_from,
)

SOURCE_SEM = "Weir JP. J Strength Cond Res 2005;19:231-240 (root of the error mean square)"
SOURCE_SDC = "Weir JP. J Strength Cond Res 2005;19:231-240 (multiplier x sqrt(2) x SEM)"
SOURCE_REPEAT = "Bland JM, Altman DG. Lancet 1986;i:307-310 (repeatability coefficient)"
SOURCE_CV = "within-case SD over the overall mean; interval from that of the SD, mean as known"
CLUSTERED = f"; widened for {SOURCE_JACKKNIFE}"
"""Follows the source of an interval where subjects have several cases."""

CHANGE_SEMS = LIMIT_SDS * math.sqrt(2)
"""Standard errors of measurement in the smallest detectable change: two readings differ."""

ROUNDING = 1e-9
"""A smaller spread, mm, comes from floating-point sums; no reader repeats so closely."""


@dataclass(frozen=True)
class MeasurementError(Lines):
    """Errors of a single reading, and the change that is beyond them.

    `agreement` counts systematic differences between readers as error, `consistency` does not.
    """

    sem_agreement: Estimate
    sem_consistency: Estimate
    sdc_agreement: Estimate
    sdc_consistency: Estimate
    within_case_sd: Estimate
    repeatability_coefficient: Estimate
    coefficient_of_variation: Estimate | None
    """None where a reading is not positive: a ratio needs a true zero well away from the values."""
    cases: Cases


@dataclass(frozen=True)
class _Spread:
    """A standard deviation with its interval, mm."""

    value: float
    low: float
    high: float

    def named(self, name: str, source: str, *, factor: float = 1.0, unit: str = "mm") -> Estimate:
        value, low, high = (factor * number for number in (self.value, self.low, self.high))
        return Estimate(name, value, low, high, unit, source)


def measurement_error(ratings: Ratings) -> MeasurementError:
    """Estimate the error of one reading from several readings of each case.

    Parameters
    ----------
    ratings
        Of readers, or repeats by one reader, mm. Cases with a missing value are left out and
        counted.

    Notes
    -----
    SEM (consistency) is the root of the residual mean square; SEM (agreement) adds the variance
    between readers, a negative estimate of which counts as zero. Intervals from the chi-square
    distribution, for agreement with Satterthwaite's degrees of freedom. Where subjects have several
    cases, each is widened to hold the one from leaving out each subject in turn.

    Examples
    --------
    >>> from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
    >>> table = ratings_from_rows([*"aabbcc"], [*"121212"], [2.0, 2.2, 3.0, 3.1, 4.0, 4.4])
    >>> found = measurement_error(table)
    >>> round(found.estimates[0].value, 3)
    0.187
    """
    values, cases = ratings.complete()
    table = mean_squares(values)
    spreads, suffix, subjects = _spreads(table), "", ratings.complete_subjects()
    if is_clustered(subjects):
        spreads, suffix = _clustered(values, subjects, spreads), CLUSTERED
    agreement, consistency, within = spreads
    sdc, source_sdc = f"Smallest detectable change ({LIMIT_SDS:g} SD", SOURCE_SDC + suffix
    return MeasurementError(
        agreement.named("SEM, agreement", SOURCE_SEM + suffix),
        consistency.named("SEM, consistency", SOURCE_SEM + suffix),
        agreement.named(f"{sdc}, agreement)", source_sdc, factor=CHANGE_SEMS),
        consistency.named(f"{sdc}, consistency)", source_sdc, factor=CHANGE_SEMS),
        within.named("Within-case SD", SOURCE_REPEAT + suffix),
        within.named("Repeatability coefficient", SOURCE_REPEAT + suffix, factor=CHANGE_SEMS),
        within.named(
            "Coefficient of variation", SOURCE_CV, factor=100 / float(values.mean()), unit="%"
        )
        if values.min() > 0
        else None,
        cases,
    )


def _clustered(
    values: FloatArray, subjects: Codes, found: tuple[_Spread, ...]
) -> tuple[_Spread, ...]:
    """Widen the intervals of independent cases to those that respect the subjects."""

    def on_log_scale(sums: FloatArray) -> FloatArray:
        table = mean_squares_from(sums)
        readers = max(table.between_readers - table.residual, 0.0) / table.cases
        variances = table.residual + readers, table.residual, table.within_cases
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(variances) / 2)

    errors, df = jackknife(mean_square_terms(values), on_log_scale, subjects)
    widened = []
    for spread, error in zip(found, errors, strict=True):
        factor = math.exp(Error(float(error), df).half_width)
        low, high = min(spread.low, spread.value / factor), max(spread.high, spread.value * factor)
        widened.append(_Spread(spread.value, low, high))
    return tuple(widened)


@dataclass(frozen=True)
class WithinCases:
    """Spread of repeats about the mean of their case, however often each case was read."""

    cases: int
    """How many were read twice or more; those read once say nothing of the spread."""
    readings: int
    """How many readings these cases have."""
    sum_of_squares: float

    @property
    def freedom(self) -> int:
        """Degrees of freedom: of each case its readings less one."""
        return self.readings - self.cases

    @property
    def sd(self) -> float:
        """Root of the mean square within cases of a one-way analysis of variance."""
        return math.sqrt(self.sum_of_squares / self.freedom)

    @property
    def identical(self) -> bool:
        """Whether repeats do not differ at all, which copies do and a reader does not."""
        return self.sd < ROUNDING


def within_cases(cases: ArrayLike | Labels, values: ArrayLike) -> WithinCases:
    """Find the spread within cases from one row per reading.

    Parameters
    ----------
    cases
        Labels, shape (n,).
    values
        Shape (n,), none missing.

    Examples
    --------
    >>> within_cases(["a", "a", "a", "b", "b", "c"], [1, 2, 3, 5, 7, 9])
    WithinCases(cases=2, readings=5, sum_of_squares=4.0)
    """
    codes, column = Labels.of(cases).codes, as_floats(values)
    counts = np.bincount(codes)
    means = np.bincount(codes, column) / counts
    repeated = counts[counts > 1]
    squares = float(((column - means[codes]) ** 2).sum())
    return WithinCases(int(repeated.size), int(repeated.sum()), squares)


def pooled_detectable_change(repeats: Sequence[WithinCases]) -> Estimate:
    """Estimate the smallest detectable change from the repeats of several readers, mm.

    Within-case variances are pooled by their degrees of freedom; interval from the chi-square
    distribution.

    Examples
    --------
    >>> repeats = within_cases(["a", "a", "b", "b"], [2.0, 2.2, 3.0, 3.3])
    >>> round(pooled_detectable_change([repeats]).value, 2)
    0.5
    """
    freedom = sum(one.freedom for one in repeats)
    variance = sum(one.sum_of_squares for one in repeats) / freedom
    spread = _spread(variance, freedom)
    return spread.named("Smallest detectable change", SOURCE_SDC, factor=CHANGE_SEMS)


def _spreads(table: MeanSquares) -> tuple[_Spread, ...]:
    """Error of single readings: agreement, consistency, within cases."""
    n, k = table.cases, table.readers
    residual_freedom = (n - 1) * (k - 1)
    consistency = _spread(table.residual, residual_freedom)
    within = _spread(table.within_cases, n * (k - 1))
    if table.between_readers <= table.residual:
        return consistency, consistency, within
    readers, rest = table.between_readers / n, table.residual * (n - 1) / n
    freedom = (readers + rest) ** 2 / (readers**2 / (k - 1) + rest**2 / residual_freedom)
    return _spread(readers + rest, freedom), consistency, within


def _spread(variance: float, freedom: float) -> _Spread:
    bounds = freedom * variance / stats.chi2.ppf(np.array([1 - TAIL, TAIL]), freedom)
    low, high = np.sqrt(bounds).tolist()
    return _Spread(math.sqrt(variance), low, high)

"""Intraclass correlation: how well readings distinguish one knee from another."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import (
    SOURCE_JACKKNIFE,
    Error,
    is_clustered,
    jackknife,
)
from meniscal_measure.cohort.agreement.estimates import TAIL, Cases, Estimate, FloatArray, require
from meniscal_measure.cohort.agreement.labels import Codes
from meniscal_measure.cohort.agreement.ratings import Ratings
from meniscal_measure.errors import AgreementError

SOURCE = (
    "Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428;"
    " interval of ICC(2,1): McGraw KO, Wong SP. Psychol Methods 1996;1:30-46"
)

SOURCE_CLUSTERED = f"{SOURCE}; widened for {SOURCE_JACKKNIFE}"

Bounded = tuple[float, float, float]
"""A value with the lower and the upper bound of its interval."""


class IccForm(StrEnum):
    """The six intraclass correlations of Shrout and Fleiss."""

    ONE_WAY = "ICC(1,1)"
    """Each case read by other readers, drawn at random."""
    TWO_WAY_RANDOM = "ICC(2,1)"
    """The same readers read every case and stand for readers at large: absolute agreement."""
    TWO_WAY_MIXED = "ICC(3,1)"
    """The same readers read every case and are the only ones of interest: consistency."""
    ONE_WAY_AVERAGE = "ICC(1,k)"
    TWO_WAY_RANDOM_AVERAGE = "ICC(2,k)"
    TWO_WAY_MIXED_AVERAGE = "ICC(3,k)"


MEANING = {
    IccForm.ONE_WAY: "one-way random, single reading",
    IccForm.TWO_WAY_RANDOM: "two-way random, absolute agreement, single reading",
    IccForm.TWO_WAY_MIXED: "two-way mixed, consistency, single reading",
    IccForm.ONE_WAY_AVERAGE: "one-way random, mean of all readings",
    IccForm.TWO_WAY_RANDOM_AVERAGE: "two-way random, absolute agreement, mean of all readings",
    IccForm.TWO_WAY_MIXED_AVERAGE: "two-way mixed, consistency, mean of all readings",
}
"""Model, definition and unit of each form, as a methods section has to name them."""

AVERAGE_OF = {
    IccForm.ONE_WAY: IccForm.ONE_WAY_AVERAGE,
    IccForm.TWO_WAY_RANDOM: IccForm.TWO_WAY_RANDOM_AVERAGE,
    IccForm.TWO_WAY_MIXED: IccForm.TWO_WAY_MIXED_AVERAGE,
}
"""The form for the mean of all readers that belongs to each form for a single reader."""


@dataclass(frozen=True)
class MeanSquares:
    """Analysis of variance of a complete table of cases by readers."""

    cases: int
    readers: int
    between_cases: float
    within_cases: float
    between_readers: float
    residual: float


@dataclass(frozen=True)
class Reliability:
    """The intraclass correlations of one table of readings."""

    forms: Mapping[IccForm, Estimate]
    cases: Cases


def mean_squares(values: FloatArray) -> MeanSquares:
    """Split the variance of a complete table into cases, readers and what is left.

    Parameters
    ----------
    values
        Shape (cases, readers), no value missing.

    Raises
    ------
    AgreementError
        If there are fewer than two cases or readers, or all values are equal.

    Examples
    --------
    >>> round(mean_squares(np.array([[2.0, 2.2], [3.0, 3.2], [4.0, 4.2]])).within_cases, 3)
    0.02
    """
    n, k = values.shape
    require(n, 2, "An analysis of variance")
    if k < 2:
        raise AgreementError(
            "Agreement needs two readers, or two readings by one; there is one. Add readings."
        )
    table = mean_squares_from(mean_square_terms(values).sum(axis=0))
    if table.between_cases == 0 and table.within_cases == 0:
        raise AgreementError(
            "All readings are equal; no variance can be shared out among them. Check that they are"
            " not copies of one."
        )
    return table


def mean_square_terms(values: FloatArray) -> FloatArray:
    """Find what each case adds to the sums of an analysis of variance, shape (n, readers + 4)."""
    means = values.mean(axis=1)
    centred, within = means - means.mean(), values - means[:, None]
    return np.column_stack(
        [np.ones_like(means), centred, centred**2, (within**2).sum(axis=1), within]
    )


def mean_squares_from(sums: FloatArray) -> MeanSquares:
    """Compute an analysis of variance from the sums of `mean_square_terms` over its cases."""
    n, total, squares, within, *deviations = sums.tolist()
    k = len(deviations)
    readers = sum(one**2 for one in deviations) / n
    return MeanSquares(
        cases=round(n),
        readers=k,
        between_cases=k * (squares - total**2 / n) / (n - 1),
        within_cases=within / (n * (k - 1)),
        between_readers=readers / (k - 1),
        residual=max(within - readers, 0.0) / ((n - 1) * (k - 1)),
    )


def intraclass_correlations(ratings: Ratings) -> Reliability:
    """Estimate the six intraclass correlations with their confidence intervals.

    Parameters
    ----------
    ratings
        Cases with a missing value are left out and counted in `cases`.

    Notes
    -----
    The interval of an average is the Spearman-Brown transform of the one for a single reader
    (McGraw and Wong 1996). Where subjects have several cases the published intervals would be too
    narrow; each is widened to hold the one from leaving out each subject in turn, on Fisher's scale
    log((1 + (k - 1) r) / (1 - r)). That one alone would take the readers as given.

    Examples
    --------
    >>> judged = [9, 2, 5, 8, 6, 1, 3, 2, 8, 4, 6, 8, 7, 1, 2, 6, 10, 5, 6, 9, 6, 2, 4, 7]
    >>> from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
    >>> table = ratings_from_rows([*"aaaabbbbccccddddeeeeffff"], [1, 2, 3, 4] * 6, judged)
    >>> result = intraclass_correlations(table)
    >>> round(result.forms[IccForm.TWO_WAY_RANDOM].value, 2)
    0.29
    """
    values, cases = ratings.complete()
    table = mean_squares(values)
    n, k = table.cases, table.readers
    found: dict[IccForm, Bounded] = {
        IccForm.ONE_WAY: _ratio_form(table, table.within_cases, n * (k - 1)),
        IccForm.TWO_WAY_RANDOM: _two_way_random(table),
        IccForm.TWO_WAY_MIXED: _ratio_form(table, table.residual, (n - 1) * (k - 1)),
    }
    source, subjects = SOURCE, ratings.complete_subjects()
    if is_clustered(subjects):
        found, source = _clustered(values, subjects, found), SOURCE_CLUSTERED
    for single, average in AVERAGE_OF.items():
        value, low, high = (_spearman_brown(r, k) for r in found[single])
        found[average] = value, low, high
    lines = {}
    for form in IccForm:
        value, low, high = found[form]
        line = Estimate(f"{form}, {MEANING[form]}", value, source=source)
        known = math.isfinite(low) and math.isfinite(high)
        lines[form] = replace(line, low=low, high=high) if known else line
    return Reliability(lines, cases)


def _clustered(
    values: FloatArray, subjects: Codes, found: Mapping[IccForm, Bounded]
) -> dict[IccForm, Bounded]:
    """Widen the intervals of independent cases to those that respect the subjects."""
    k, terms = values.shape[1], mean_square_terms(values)

    def on_fishers_scale(sums: FloatArray) -> FloatArray:
        table = mean_squares_from(sums)
        b, w, e = table.between_cases, table.within_cases, table.residual
        forms = np.array([_share(b, w, k), _random_value(table), _share(b, e, k)])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log((1 + (k - 1) * forms) / (1 - forms)))

    errors, df = jackknife(terms, on_fishers_scale, subjects)
    centres = on_fishers_scale(terms.sum(axis=0))
    clustered: dict[IccForm, Bounded] = {}
    for form, centre, error in zip(AVERAGE_OF, centres, errors, strict=True):
        half = Error(float(error), df).half_width
        ends = float(centre) + half * np.array([-1, 1])
        low, high = (np.expm1(ends) / (np.exp(ends) + k - 1)).tolist()
        value, published_low, published_high = found[form]
        clustered[form] = value, min(low, published_low), max(high, published_high)
    return clustered


def _ratio_form(table: MeanSquares, error: float, freedom: int) -> Bounded:
    """Value and interval of `_share` given an error mean square and its degrees of freedom."""
    shrink = stats.f.ppf(1 - TAIL, table.cases - 1, freedom)
    stretch = 1 / stats.f.ppf(1 - TAIL, freedom, table.cases - 1)
    value, low, high = (
        float(_share(table.between_cases, factor * error, table.readers))
        for factor in (1.0, shrink, stretch)
    )
    return value, low, high


def _share(between: float, error: float, k: int) -> float:
    return (between - error) / (between + (k - 1) * error)


def _random_value(table: MeanSquares) -> float:
    n, k = table.cases, table.readers
    b, j, e = table.between_cases, table.between_readers, table.residual
    return (b - e) / (b + (k - 1) * e + k * (j - e) / n)


def _two_way_random(table: MeanSquares) -> Bounded:
    n, k = table.cases, table.readers
    b, j, e = table.between_cases, table.between_readers, table.residual
    rho = _random_value(table)
    if rho == 1:
        return 1.0, 1.0, 1.0
    # Satterthwaite's degrees of freedom of the readers' and the residual mean square together.
    c = k * rho / (n * (1 - rho)) * j
    d = (1 + k * rho * (n - 1) / (n * (1 - rho))) * e
    v = (c + d) ** 2 / (c**2 / (k - 1) + d**2 / ((n - 1) * (k - 1)))
    spread = k * j + (k * n - k - n) * e
    low_f, high_f = stats.f.ppf(1 - TAIL, n - 1, v), stats.f.ppf(1 - TAIL, v, n - 1)
    low = n * (b - low_f * e) / (low_f * spread + n * b)
    high = n * (high_f * b - e) / (spread + n * high_f * b)
    return float(rho), float(low), float(high)


def _spearman_brown(single: float, readers: int) -> float:
    """Reliability of the mean of `readers` readings from that of one; NaN where it would be < -1.

    A single-reader value near its least, -1 / (k - 1), has an average without bounds, which is no
    correlation.
    """
    divisor = 1 + (readers - 1) * single
    average = readers * single / divisor if divisor > 0 else math.nan
    return average if average >= -1 else math.nan

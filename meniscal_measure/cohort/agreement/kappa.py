"""Agreement of two readers on grades, beyond what chance would give."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import (
    Error,
    complete_pairs,
    is_clustered,
    linearised_error,
)
from meniscal_measure.cohort.agreement.estimates import Cases, Estimate, FloatArray, require
from meniscal_measure.errors import AgreementError

SOURCE_KAPPA = "Cohen J. Psychol Bull 1968;70:213-220"
SOURCE_ERROR = "Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323-327"
SOURCE_CLUSTERED = "delta method over subjects: Yang Z, Zhou M. Stat Med 2014;33:2612-2633"


class Weights(StrEnum):
    """How much each disagreement counts: fully, or by the distance of the grades or its square."""

    NONE = "unweighted"
    LINEAR = "linear"
    QUADRATIC = "quadratic"

    def agreement(self, grades: int) -> FloatArray:
        """Weight of each pair of grades as agreement, from 0 to 1, shape (grades, grades).

        Examples
        --------
        >>> Weights.LINEAR.agreement(3).tolist()
        [[1.0, 0.5, 0.0], [0.5, 1.0, 0.5], [0.0, 0.5, 1.0]]
        """
        order = np.arange(grades)
        apart = np.abs(order[:, None] - order) / (grades - 1)
        power = {Weights.NONE: 0, Weights.LINEAR: 1, Weights.QUADRATIC: 2}[self]
        return np.where(apart > 0, 1 - apart**power, 1.0)


@dataclass(frozen=True)
class Kappa:
    """Chance-corrected agreement of two readers."""

    kappa: Estimate
    observed: float
    """Weighted agreement seen, a fraction."""
    expected: float
    """Weighted agreement expected by chance from each reader's own frequencies."""
    table: FloatArray
    """Counts, first reader down, second across."""
    cases: Cases


def weighted_kappa(
    first: ArrayLike,
    second: ArrayLike,
    *,
    grades: int,
    weights: Weights = Weights.LINEAR,
    subjects: ArrayLike | None = None,
) -> Kappa:
    """Compare the grades two readers gave.

    Parameters
    ----------
    first, second
        Whole grades from 0 to `grades` - 1, shape (n,); NaN where missing.
    grades
        Number of grades on the scale, whether used or not.
    weights
        How much each disagreement counts.
    subjects
        Whose each case is, shape (n,); where a subject has several, the interval respects it.

    Raises
    ------
    AgreementError
        If a grade is off the scale, fewer than two cases are complete, or chance alone would give
        full agreement.

    Examples
    --------
    >>> round(weighted_kappa([0, 1, 2, 2], [0, 1, 1, 2], grades=3).kappa.value, 3)
    0.714
    """
    one, two, codes, cases = complete_pairs(first, second, subjects)
    require(cases.used, 2, "Kappa")
    for grade in np.unique(np.concatenate([one, two])):
        if grade != int(grade) or not 0 <= grade < grades:
            raise AgreementError(
                f"Grade {grade:g} is not one of 0 to {grades - 1}. Correct it, or leave it empty."
            )
    rows, columns = one.astype(int), two.astype(int)
    table = np.bincount(rows * grades + columns, minlength=grades**2).reshape(grades, grades)
    found = kappa_of_table(table, weights=weights, cases=cases)
    if not is_clustered(codes):
        return found
    terms = _terms(table / table.sum(), weights, found.kappa.value, found.expected)
    error = linearised_error(terms[rows, columns], codes)
    low, high = error.interval(found.kappa.value, -1.0, 1.0)
    source = f"{SOURCE_KAPPA}; interval: {SOURCE_CLUSTERED}"
    return replace(found, kappa=replace(found.kappa, low=low, high=high, source=source))


def kappa_of_table(
    table: ArrayLike, *, weights: Weights = Weights.LINEAR, cases: Cases | None = None
) -> Kappa:
    """Compute kappa from a square table of counts.

    Parameters
    ----------
    table
        Counts, shape (grades, grades), first reader down, second across.
    weights
        How much each disagreement counts.
    cases
        How many were used and left out; by default all in the table were used.

    Notes
    -----
    Large-sample interval with the standard error of Fleiss, Cohen and Everitt (1969). Where
    agreement is complete that error is zero, and no interval is given.

    Examples
    --------
    >>> round(kappa_of_table([[8, 2], [2, 8]]).kappa.value, 3)
    0.6
    """
    counts = np.asarray(table, dtype=np.float64)
    agreement = weights.agreement(counts.shape[0])
    total = float(counts.sum())
    shares = counts / total
    observed = float((agreement * shares).sum())
    expected = float((agreement * np.outer(shares.sum(axis=1), shares.sum(axis=0))).sum())
    if math.isclose(expected, 1.0):
        raise AgreementError(
            "All readings have one grade; kappa is not defined. Report the share of agreement."
        )
    value = (observed - expected) / (1 - expected)
    terms = _terms(shares, weights, value, expected)
    spread = float((shares * terms**2).sum() - (shares * terms).sum() ** 2)
    error = Error(math.sqrt(max(spread, 0.0) / total), math.inf)
    low, high = error.interval(value, -1.0, 1.0)
    source = f"{SOURCE_KAPPA}; interval: {SOURCE_ERROR}"
    kappa = Estimate(f"Kappa, {weights}", value, low, high, source=source)
    return Kappa(kappa, observed, expected, counts, cases or Cases(round(total)))


def _terms(shares: FloatArray, weights: Weights, kappa: float, expected: float) -> FloatArray:
    """Linear term that a case in each cell adds to kappa, the true kappa not being zero."""
    agreement = weights.agreement(shares.shape[0])
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    mean_weights = (agreement @ columns)[:, None] + rows @ agreement
    return np.asarray((agreement - mean_weights * (1 - kappa)) / (1 - expected))

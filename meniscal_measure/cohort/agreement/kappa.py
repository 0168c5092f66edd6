"""Agreement of two readers on grades, beyond what chance would give."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import (
    Error,
    is_clustered,
    linearised_error,
    subject_codes,
)
from meniscal_measure.cohort.agreement.estimates import (
    Cases,
    Estimate,
    FloatArray,
    complete_labels,
    complete_pairs,
    require,
)
from meniscal_measure.cohort.agreement.labels import Codes
from meniscal_measure.errors import AgreementError

SOURCE_KAPPA = "Cohen J. Psychol Bull 1968;70:213-220"
SOURCE_ERROR = "Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323-327"


SOURCE_CLUSTERED = "delta method over subjects: Yang Z, Zhou M. Stat Med 2014;33:2612-2633"


class Weights(StrEnum):
    """How much each disagreement counts."""

    NONE = "unweighted"
    """Every disagreement counts fully."""
    LINEAR = "linear"
    """In proportion to the number of grades between."""
    QUADRATIC = "quadratic"
    """In proportion to the square of that number."""

    def disagreement(self, grades: int) -> FloatArray:
        """Weight of each pair of grades, 0 on the diagonal, shape (grades, grades).

        Examples
        --------
        >>> Weights.LINEAR.disagreement(3).tolist()
        [[0.0, 1.0, 2.0], [1.0, 0.0, 1.0], [2.0, 1.0, 0.0]]
        """
        order = np.arange(grades)
        apart = np.abs(order[:, None] - order).astype(np.float64)
        powers = {Weights.NONE: 0.0, Weights.LINEAR: 1.0, Weights.QUADRATIC: 2.0}
        return np.where(apart > 0, apart ** powers[self], 0.0)


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

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """Kappa and what it is made of, as lines of a results table."""
        return (
            self.kappa,
            Estimate("Observed agreement", self.observed, source=SOURCE_KAPPA),
            Estimate("Agreement expected by chance", self.expected, source=SOURCE_KAPPA),
        )


def weighted_kappa(
    first: ArrayLike,
    second: ArrayLike,
    *,
    grades: int,
    weights: Weights | ArrayLike = Weights.LINEAR,
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
        A named rule, or disagreement weights of shape (grades, grades), 0 on the diagonal.
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
    one, two, cases = complete_pairs(first, second)
    require(cases.used, 2, "Kappa")
    for grade in np.unique(np.concatenate([one, two])):
        if grade != int(grade) or not 0 <= grade < grades:
            raise AgreementError(
                f"Grade {grade:g} is not one of 0 to {grades - 1}. Correct it, or leave it empty."
            )
    rows, columns = one.astype(int), two.astype(int)
    table = np.bincount(rows * grades + columns, minlength=grades**2).reshape(grades, grades)
    found = kappa_of_table(table, weights=weights, cases=cases)
    owners = complete_labels(subjects, first, second)
    codes = subject_codes(owners, cases.used)
    if not is_clustered(codes):
        return found
    error = _clustered_error(found, weights, (rows, columns), codes)
    low, high = _interval(found.kappa.value, error)
    source = f"{SOURCE_KAPPA}; interval: {SOURCE_CLUSTERED}"
    return replace(found, kappa=replace(found.kappa, low=low, high=high, source=source))


def _clustered_error(
    found: Kappa, weights: Weights | ArrayLike, cells: tuple[Codes, Codes], codes: Codes
) -> Error:
    disagreement = _disagreement(weights, found.table.shape[0])
    agreement = 1 - disagreement / disagreement.max()
    terms = _terms(found.table / found.table.sum(), agreement, found.kappa.value, found.expected)
    return linearised_error(terms[cells], codes)


def kappa_of_table(
    table: ArrayLike, *, weights: Weights | ArrayLike = Weights.LINEAR, cases: Cases | None = None
) -> Kappa:
    """Work out kappa from a square table of counts.

    Parameters
    ----------
    table
        Counts, shape (grades, grades), first reader down, second across.
    weights
        As in `weighted_kappa`.
    cases
        What was left out before the table was made.

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
    disagreement = _disagreement(weights, counts.shape[0])
    agreement = 1 - disagreement / disagreement.max()
    total = float(counts.sum())
    shares = counts / total
    observed = float((agreement * shares).sum())
    expected = float((agreement * np.outer(shares.sum(axis=1), shares.sum(axis=0))).sum())
    if math.isclose(expected, 1.0):
        raise AgreementError(
            "All readings have one grade; kappa is not defined. Report the share of agreement."
        )
    value = (observed - expected) / (1 - expected)
    terms = _terms(shares, agreement, value, expected)
    spread = float((shares * terms**2).sum() - (shares * terms).sum() ** 2)
    error = Error(math.sqrt(max(spread, 0.0) / total), math.inf)
    name = f"Kappa, {weights.value if isinstance(weights, Weights) else 'weights given'}"
    source = f"{SOURCE_KAPPA}; interval: {SOURCE_ERROR}"
    return Kappa(
        Estimate(name, value, *_interval(value, error), source=source),
        observed,
        expected,
        counts,
        cases or Cases(round(total)),
    )


def _disagreement(weights: Weights | ArrayLike, grades: int) -> FloatArray:
    if isinstance(weights, Weights):
        return weights.disagreement(grades)
    given = np.asarray(weights, dtype=np.float64)
    if given.shape != (grades, grades) or np.diagonal(given).any() or given.min() < 0:
        raise AgreementError(
            f"Disagreement weights must be a {grades} x {grades} table of numbers that are not"
            " negative, with 0 on the diagonal."
        )
    if given.max() == 0:
        raise AgreementError("All disagreement weights are 0; give some disagreement a weight.")
    return given


def _interval(value: float, error: Error) -> tuple[float | None, float | None]:
    """Give the interval about kappa; none where agreement is complete and its error unknown."""
    if not error.se > 0:
        return None, None
    half = error.half_width
    return max(value - half, -1.0), min(value + half, 1.0)


def _terms(shares: FloatArray, agreement: FloatArray, kappa: float, expected: float) -> FloatArray:
    """Linear term that a case in each cell adds to kappa, the true kappa not being zero."""
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    mean_weights = (agreement @ columns)[:, None] + rows @ agreement
    return np.asarray((agreement - mean_weights * (1 - kappa)) / (1 - expected))

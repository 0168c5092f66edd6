"""Agreement beyond chance for any number of readers, some of whom may have missed cases.

Kappa is low where one grade is rare, even if readers agree on nearly every case; AC1 is not, so
both are reported (Feinstein and Cicchetti, J Clin Epidemiol 1990;43:543-549).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import is_clustered, linearised_error, subject_codes
from meniscal_measure.cohort.agreement.estimates import Estimate, FloatArray, as_floats, require

SOURCE_AC1 = "Gwet KL. Br J Math Stat Psychol 2008;61:29-48"
SOURCE_FLEISS = "Fleiss JL. Psychol Bull 1971;76:378-382"
SOURCE_ERROR = "linear terms of Gwet KL. Br J Math Stat Psychol 2008;61:29-48"
SUBJECTS = ", summed within subjects"


def gwet_ac1(ratings: ArrayLike, *, grades: int, subjects: ArrayLike | None = None) -> Estimate:
    """Estimate Gwet's AC1.

    Parameters
    ----------
    ratings
        Whole grades from 0 to `grades` - 1, shape (cases, readers); NaN where missing. Cases read
        by one reader count for how often grades are given, not for agreement.
    grades
        Number of grades on the scale, whether used or not.
    subjects
        Whose each case is, shape (cases,).

    Examples
    --------
    >>> round(gwet_ac1([[1, 1], [0, 0], [1, 1], [1, 1], [1, 0]], grades=2).value, 3)
    0.655
    """

    def rarity(frequencies: FloatArray) -> FloatArray:
        return (1 - frequencies) / (grades - 1)

    return _beyond_chance("AC1", SOURCE_AC1, _counts(ratings, grades), subjects, rarity)


def fleiss_kappa(ratings: ArrayLike, *, grades: int, subjects: ArrayLike | None = None) -> Estimate:
    """Estimate Fleiss' kappa of several readers; parameters as in `gwet_ac1`.

    Examples
    --------
    >>> round(fleiss_kappa([[1, 1], [0, 0], [1, 1], [1, 1], [1, 0]], grades=2).value, 3)
    0.524
    """
    counts = _counts(ratings, grades)
    return _beyond_chance("Fleiss' kappa", SOURCE_FLEISS, counts, subjects, lambda shares: shares)


def _counts(ratings: ArrayLike, grades: int) -> FloatArray:
    """How many readers gave each grade to each case, shape (cases, grades)."""
    table = np.atleast_2d(as_floats(ratings))
    return np.stack([(table == grade).sum(axis=1) for grade in range(grades)], axis=1, dtype=float)


def _beyond_chance(
    name: str,
    source: str,
    counts: FloatArray,
    subjects: ArrayLike | None,
    weight: Callable[[FloatArray], FloatArray],
) -> Estimate:
    """Correct the share of agreeing pairs for chance; interval from linear terms of each case.

    `weight` gives each grade, from the shares of all grades, its weight in the agreement expected
    by chance. Cases count alike, however many have read them.
    """
    read = counts.any(axis=1)
    codes = subject_codes(None if subjects is None else np.asarray(subjects)[read], int(read.sum()))
    counts = counts[read]
    readers = counts.sum(axis=1)
    several = readers > 1
    require(int(several.sum()), 1, "Agreement beyond chance")
    with np.errstate(invalid="ignore", divide="ignore"):
        pairs = (counts * (counts - 1)).sum(axis=1) / (readers * (readers - 1))
    shares = counts / readers[:, None]
    frequencies = shares.mean(axis=0)
    weights = weight(frequencies)
    observed, expected = float(pairs[several].mean()), float(frequencies @ weights)
    if math.isclose(expected, 1.0):
        return Estimate(name, math.nan, source=source)
    value = (observed - expected) / (1 - expected)
    scale = readers.size / several.sum()
    agreed = np.where(several, scale * (pairs - expected) / (1 - expected), 0.0)
    terms = agreed - 2 * (1 - value) * (shares @ weights - expected) / (1 - expected)
    low, high = linearised_error(terms, codes).interval(value, -1.0, 1.0)
    if low is not None:
        source += f"; interval: {SOURCE_ERROR}{SUBJECTS if is_clustered(codes) else ''}"
    return Estimate(name, value, low, high, source=source)

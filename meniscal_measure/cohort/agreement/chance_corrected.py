"""Agreement beyond chance for any number of readers, some of whom may have missed cases.

Kappa falls where one grade is rare though readers agree on nearly every case; AC1 does not, so that
both are reported (Feinstein and Cicchetti, J Clin Epidemiol 1990;43:543-549).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import is_clustered, linearised_error, subject_codes
from meniscal_measure.cohort.agreement.estimates import Estimate, FloatArray, as_floats, require
from meniscal_measure.cohort.agreement.labels import Codes

SOURCE_AC1 = "Gwet KL. Br J Math Stat Psychol 2008;61:29-48"
SOURCE_FLEISS = "Fleiss JL. Psychol Bull 1971;76:378-382"
SOURCE_ERROR = "linear terms of Gwet KL. Br J Math Stat Psychol 2008;61:29-48"
SUBJECTS = ", summed within subjects"


@dataclass(frozen=True)
class _Counts:
    """How many readers gave each grade to each case, shape (cases, grades)."""

    counts: FloatArray
    codes: Codes

    @property
    def readers(self) -> FloatArray:
        """Readers of each case."""
        return np.asarray(self.counts.sum(axis=1))

    @property
    def pairs(self) -> FloatArray:
        """Share of agreeing pairs of readers of each case; NaN where one read it alone."""
        r = self.readers
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((self.counts * (self.counts - 1)).sum(axis=1) / (r * (r - 1)))

    @property
    def frequencies(self) -> FloatArray:
        """How often each grade is given, of each case its readers counting together as one."""
        return np.asarray((self.counts / self.readers[:, None]).mean(axis=0))


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
    >>> gwet_ac1([[1, 1], [0, 0], [1, 1], [1, 1], [1, 0]], grades=2).value.__round__(3)
    0.655
    """

    def chance(frequencies: FloatArray) -> tuple[float, FloatArray]:
        rarity = (1 - frequencies) / (grades - 1)
        return float((frequencies * rarity).sum()), rarity

    found = _counted(ratings, grades, subjects)
    return _estimate("AC1", SOURCE_AC1, found, chance)


def fleiss_kappa(ratings: ArrayLike, *, grades: int, subjects: ArrayLike | None = None) -> Estimate:
    """Estimate Fleiss' kappa of several readers; parameters as in `gwet_ac1`."""

    def chance(frequencies: FloatArray) -> tuple[float, FloatArray]:
        return float((frequencies**2).sum()), frequencies

    found = _counted(ratings, grades, subjects)
    return _estimate("Fleiss' kappa", SOURCE_FLEISS, found, chance)


def _counted(ratings: ArrayLike, grades: int, subjects: ArrayLike | None) -> _Counts:
    table = np.atleast_2d(as_floats(ratings))
    counts = np.stack([(table == grade).sum(axis=1) for grade in range(grades)], axis=1)
    read = counts.sum(axis=1) > 0
    owners = None if subjects is None else np.asarray(subjects)[read]
    require(int((counts.sum(axis=1) > 1).sum()), 1, "Agreement beyond chance")
    codes = subject_codes(owners, int(read.sum()))
    return _Counts(counts[read].astype(np.float64), codes)


def _estimate(
    name: str, source: str, found: _Counts, chance: Callable[[FloatArray], tuple[float, FloatArray]]
) -> Estimate:
    """Correct the share of agreeing pairs for chance; interval from linear terms of each case."""
    several = found.readers > 1
    observed = float(found.pairs[several].mean())
    expected, slope = chance(found.frequencies)
    if math.isclose(expected, 1.0):
        return Estimate(name, math.nan, source=source)
    value = (observed - expected) / (1 - expected)
    scale = found.readers.size / several.sum()
    agreed = np.where(several, scale * (found.pairs - expected) / (1 - expected), 0.0)
    own = (found.counts / found.readers[:, None]) @ slope
    terms = agreed - 2 * (1 - value) * (own - expected) / (1 - expected)
    error = linearised_error(terms, found.codes)
    if not error.se > 0:
        return Estimate(name, value, source=source)
    half = error.half_width
    words = f"{source}; interval: {SOURCE_ERROR}{SUBJECTS if is_clustered(found.codes) else ''}"
    return Estimate(name, value, max(value - half, -1.0), min(value + half, 1.0), source=words)

"""Cases that belong to one subject are not independent: the errors of estimates that respect it.

Two ways, each with published sources. A mean of terms, one for each case, has its standard error
from the sums of the terms within subjects (`clustered_mean`, `linearised_error`). Any other
statistic is worked out again with one subject after the other left out (`jackknife`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import TAIL, FloatArray
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.errors import AgreementError

SOURCE_JACKKNIFE = (
    "subjects left out one after the other (jackknife: Lipsitz SR, Laird NM, Harrington DP."
    " Commun Stat Theory Methods 1990;19:821-845)"
)
SOURCE_MEAN = (
    "ratio estimator over subjects (Cochran WG. Sampling Techniques. 3rd ed. Wiley; 1977, ch 9A),"
    " t interval"
)

MOST_GROUPS = 200
"""More subjects are left out in so many groups drawn at random (delete-a-group jackknife: Kott PS.
J Off Stat 2001;17:521-526), so that the cost does not grow with their number."""


@dataclass(frozen=True)
class Error:
    """Standard error of an estimate and the degrees of freedom of its t interval."""

    se: float
    df: float

    @property
    def half_width(self) -> float:
        """Half the width of the two-sided t interval."""
        return float(stats.t.ppf(1 - TAIL, self.df)) * self.se

    def p_value(self, distance: float) -> float:
        """Two-sided p value of an estimate so far from its null value; NaN without an error."""
        if not self.se > 0:
            return math.nan
        return float(2 * stats.t.sf(abs(distance) / self.se, self.df))


def subject_codes(subjects: ArrayLike | Labels | None, count: int) -> Codes:
    """Give each case the number of its subject, from 0; a number of its own where none is named.

    Examples
    --------
    >>> subject_codes(["b", "a", "b"], 3).tolist(), subject_codes(None, 2).tolist()
    ([1, 0, 1], [0, 1])
    """
    if subjects is None:
        return np.arange(count)
    if isinstance(subjects, Labels):
        return subjects.codes
    labels = np.asarray(subjects)
    if labels.shape != (count,):
        raise AgreementError(
            f"There are {count} cases and {labels.size} subjects; name the subject of every case."
        )
    return np.unique(labels, return_inverse=True)[1].reshape(-1)


def is_clustered(codes: Codes) -> bool:
    """Whether any subject has several cases."""
    return codes.size > 0 and int(codes.max()) + 1 < codes.size


def linearised_error(terms: ArrayLike, codes: Codes) -> Error:
    """Error of the mean of terms that are dependent within subjects.

    Parameters
    ----------
    terms
        What each case adds to the estimate, shape (n,): its value, or the linear term of a
        statistic that is a smooth function of means.
    codes
        Subject of each case, numbered from 0.

    Returns
    -------
    Error
        sqrt(m / (m - 1) sum (sum of centred terms of a subject)^2) / n with m - 1 degrees of
        freedom, m the number of subjects. With one case each that is SD / sqrt(n).

    Examples
    --------
    >>> error = linearised_error([1.0, 2.0, 3.0, 4.0], np.arange(4))
    >>> round(error.se, 4), error.df
    (0.6455, 3)
    """
    values = np.asarray(terms, dtype=np.float64)
    sums = np.bincount(codes, values - values.mean())
    m = sums.size
    if m < 2:
        return Error(math.nan, 1)
    return Error(math.sqrt(m / (m - 1) * float((sums**2).sum())) / values.size, m - 1)


def effective_size(hits: FloatArray, codes: Codes) -> float:
    """Independent cases that would tell as much of a proportion (Rao and Scott 1992).

    The design effect is the variance of the ratio estimator over that of independent cases, and not
    below 1: cases of a subject are not taken to tell more than as many of others.
    """
    share, n = float(hits.mean()), hits.size
    if not is_clustered(codes):
        return float(n)
    if share in (0.0, 1.0):  # nothing is known of the variance; the subjects alone are sure
        return float(codes.max() + 1)
    effect = linearised_error(hits, codes).se ** 2 * n / (share * (1 - share))
    return n / max(effect, 1.0)


def jackknife(
    terms: FloatArray, statistic: Callable[[FloatArray], FloatArray], codes: Codes
) -> tuple[FloatArray, int]:
    """Find standard errors of statistics by leaving out one subject after the other.

    Parameters
    ----------
    terms
        What each case adds to the sums that the statistics are functions of, shape (n, q).
    statistic
        Works out the statistics, shape (s,), from such sums, shape (q,), on a scale on which they
        are about normal.
    codes
        Subject of each case, numbered from 0.

    Returns
    -------
    tuple
        Standard errors, shape (s,), NaN where a statistic is not finite without some subject; and
        the degrees of freedom.

    Examples
    --------
    >>> ones_and_values = np.array([[1.0, 1.0], [1.0, 2.0], [1.0, 3.0], [1.0, 4.0]])
    >>> errors, df = jackknife(ones_and_values, lambda s: s[1:] / s[0], np.arange(4))
    >>> errors.round(4).tolist(), df
    ([0.6455], 3)
    """
    groups = _groups(int(codes.max()) + 1)[codes]
    sums = np.stack([np.bincount(groups, column) for column in terms.T], axis=1)
    m = sums.shape[0]
    values = np.array([statistic(left) for left in sums.sum(axis=0) - sums])
    with np.errstate(invalid="ignore"):
        squares = ((values - values.mean(axis=0)) ** 2).sum(axis=0)
    return np.sqrt((m - 1) / m * squares), m - 1


def _groups(subjects: int) -> Codes:
    """Give each subject the number of the group with which it is left out."""
    if subjects <= MOST_GROUPS:
        return np.arange(subjects)
    return np.random.default_rng(1).permutation(subjects) % MOST_GROUPS

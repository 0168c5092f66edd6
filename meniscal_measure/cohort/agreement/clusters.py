"""Cases that belong to one subject are not independent: the errors of estimates that respect it.

Two ways, each with published sources. A mean of terms, one for each case, has its standard error
from the sums of the terms within subjects (`linearised_error`). Any other
statistic is computed again with each subject left out in turn (`jackknife`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import TAIL, Cases, FloatArray, as_floats
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.errors import AgreementError

SOURCE_JACKKNIFE = (
    "subjects left out in turn (jackknife: Lipsitz SR, Laird NM, Harrington DP."
    " Commun Stat Theory Methods 1990;19:821-845)"
)
SOURCE_MEAN = (
    "ratio estimator over subjects (Cochran WG. Sampling Techniques. 3rd ed. Wiley; 1977, ch 9A),"
    " t interval"
)

MOST_GROUPS = 200
"""More subjects are left out in this many random groups (delete-a-group jackknife: Kott PS. J Off
Stat 2001;17:521-526), so that the cost does not grow with their number."""


@dataclass(frozen=True)
class Error:
    """Standard error of an estimate and the degrees of freedom of its t interval.

    Examples
    --------
    >>> error = Error(0.5, 3)
    >>> [round(end, 2) for end in error.interval(1.0)], round(error.p_value(1.0), 3)
    ([-0.59, 2.59], 0.139)
    """

    se: float
    df: float

    @property
    def half_width(self) -> float:
        """Half the width of the two-sided t interval."""
        return float(stats.t.ppf(1 - TAIL, self.df)) * self.se

    def interval(
        self, value: float, least: float = -math.inf, most: float = math.inf
    ) -> tuple[float | None, float | None]:
        """Interval about an estimate, cut off at its bounds; none where its error is not known."""
        if not self.se > 0:
            return None, None
        half = self.half_width
        return max(value - half, least), min(value + half, most)

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


def complete_pairs(
    first: ArrayLike, second: ArrayLike, subjects: ArrayLike | None = None
) -> tuple[FloatArray, FloatArray, Codes, Cases]:
    """Keep the cases on which both values are present.

    Parameters
    ----------
    first, second
        Shape (n,); NaN where missing.
    subjects
        Whose each case is, shape (n,); None where every case is a subject of its own.

    Returns
    -------
    tuple
        Both arrays and the number of each subject, from 0, without the incomplete cases; and the
        count of cases.

    Raises
    ------
    AgreementError
        If the columns have different lengths.

    Examples
    --------
    >>> complete_pairs([1, 2, np.nan], [1, 3, 5], ["b", "a", "a"])
    (array([1., 2.]), array([1., 3.]), array([1, 0]), Cases(used=2, left_out=1, noun='cases'))
    """
    one, two = as_floats(first), as_floats(second)
    if one.shape != two.shape or one.ndim != 1:
        raise AgreementError(
            f"The two columns to be compared hold {one.size} and {two.size} values;"
            " give one value of each for every case, empty where missing."
        )
    keep = ~(np.isnan(one) | np.isnan(two))
    used = int(keep.sum())
    codes = subject_codes(subject_codes(subjects, one.size)[keep], used)
    return one[keep], two[keep], codes, Cases(used, one.size - used)


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
        freedom, m the number of subjects; SD / sqrt(n) where each has one case.

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
    """Effective sample size of a proportion (Rao and Scott 1992).

    The design effect is the variance of the ratio estimator over that of independent cases, and at
    least 1: cases of one subject never count for more than as many of others.

    Examples
    --------
    >>> effective_size(np.array([1.0, 1, 0, 0]), np.array([0, 0, 1, 1]))
    1.0
    """
    share, n = float(hits.mean()), hits.size
    if not is_clustered(codes):
        return float(n)
    if share in (0.0, 1.0):  # the variance is not known; count the subjects only
        return float(codes.max() + 1)
    effect = linearised_error(hits, codes).se ** 2 * n / (share * (1 - share))
    return n / max(effect, 1.0)


def jackknife(
    terms: FloatArray, statistic: Callable[[FloatArray], FloatArray], codes: Codes
) -> tuple[FloatArray, int]:
    """Find standard errors of statistics by leaving out each subject in turn.

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
    subjects = int(codes.max()) + 1
    together = np.arange(subjects)
    if subjects > MOST_GROUPS:
        together = np.random.default_rng(1).permutation(subjects) % MOST_GROUPS
    groups = together[codes]
    sums = np.stack([np.bincount(groups, column) for column in terms.T], axis=1)
    m = sums.shape[0]
    values = np.array([statistic(left) for left in sums.sum(axis=0) - sums])
    with np.errstate(invalid="ignore"):
        squares = ((values - values.mean(axis=0)) ** 2).sum(axis=0)
    return np.sqrt((m - 1) / m * squares), m - 1

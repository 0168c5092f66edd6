"""Proportions with their intervals."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import effective_size, is_clustered
from meniscal_measure.cohort.agreement.estimates import LEVEL, TAIL, Estimate, FloatArray
from meniscal_measure.cohort.agreement.labels import Codes
from meniscal_measure.errors import AgreementError

SOURCE = "Wilson EB. J Am Stat Assoc 1927;22:209-212 (score interval)"
SOURCE_CLUSTERED = (
    "Wilson interval with the effective number of cases of Rao JNK, Scott AJ. Biometrics"
    " 1992;48:577-585"
)


def proportion(name: str, hits: int, total: int) -> Estimate:
    """Estimate a proportion with Wilson's interval; NaN with the interval 0 to 1 without a case.

    Raises
    ------
    AgreementError
        Unless `0 <= hits <= total`.

    Examples
    --------
    >>> round(proportion("sensitivity", 28, 30).value, 3)
    0.933
    """
    if not 0 <= hits <= total:
        raise AgreementError(
            f"{name}: {hits} of {total} is not a proportion. Give no more hits than cases, none"
            " negative."
        )
    if total == 0:
        return Estimate(name, math.nan, 0.0, 1.0, source=SOURCE)
    bounds = stats.binomtest(hits, total).proportion_ci(LEVEL, "wilson")
    return Estimate(name, hits / total, float(bounds.low), float(bounds.high), source=SOURCE)


def clustered_proportion(name: str, hits: FloatArray, subjects: Codes) -> Estimate:
    """Estimate a proportion of cases of which several may belong to one subject.

    Parameters
    ----------
    name
        What the proportion is of.
    hits
        1 or 0 for each case, shape (n,).
    subjects
        Number of the subject of each case, shape (n,).

    Notes
    -----
    Wilson's interval with t in place of the normal quantile where subjects have several cases, its
    degrees of freedom the number of subjects less one.

    Examples
    --------
    >>> knees, subjects = np.array([1.0, 1, 0, 0, 1, 0]), np.array([0, 0, 1, 1, 2, 3])
    >>> found = clustered_proportion("flagged", knees, subjects)
    >>> f"{found.value:.2f} ({found.low:.2f} to {found.high:.2f})"
    '0.50 (0.06 to 0.94)'
    """
    codes = np.unique(subjects, return_inverse=True)[1]
    if not is_clustered(codes):
        return proportion(name, int(hits.sum()), hits.size)
    n, share = effective_size(hits, codes), float(hits.mean())
    z = float(stats.t.ppf(1 - TAIL, int(codes.max())))
    centre = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    low, high = max(centre - half, 0.0), min(centre + half, 1.0)
    return Estimate(name, share, low, high, source=SOURCE_CLUSTERED)

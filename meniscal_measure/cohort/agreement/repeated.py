"""Limits of agreement when each case was read several times by both readers or methods."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import TAIL, Cases, Estimate, as_floats, require
from meniscal_measure.cohort.agreement.labels import Labels
from meniscal_measure.cohort.agreement.limits import LIMIT_SDS, LimitsOfAgreement, limits_about
from meniscal_measure.errors import AgreementError

SOURCE = (
    "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (repeated measurements);"
    " intervals: Zou GY. Stat Methods Med Res 2013;22:630-642"
)


def repeated_limits(cases: ArrayLike, first: ArrayLike, second: ArrayLike) -> LimitsOfAgreement:
    """Compare two readers or methods that read each case several times, in pairs.

    The true value may change from one pair to the next, as between the knees of a subject.

    Parameters
    ----------
    cases
        Label of the case of each pair, shape (n,).
    first, second
        Readings, mm, shape (n,), none missing.

    Returns
    -------
    LimitsOfAgreement
        For the difference of single readings. Intervals by recovery of variance estimates.

    Raises
    ------
    AgreementError
        If there are fewer than three cases, or none was read twice.

    Examples
    --------
    >>> found = repeated_limits([*"aabbcc"], [2.0, 2.5, 3.0, 3.2, 4.0, 4.6], [2, 2, 3, 3, 4, 4])
    >>> round(found.bias.value, 2), found.cases.used
    (0.22, 3)
    """
    codes, difference = Labels.of(cases).codes, as_floats(first) - as_floats(second)
    counts = np.bincount(codes)
    require(counts.size, 3, "Limits of agreement with repeats")
    freedom = int(codes.size - counts.size)
    if freedom < 1:
        raise AgreementError(
            "No case was read twice by the same reader; use the limits for single readings."
        )
    means = np.bincount(codes, difference) / counts
    within = float(((difference - means[codes]) ** 2).sum() / freedom)
    # What averaging over the pairs of a case has hidden of the variance within it comes back.
    squares = np.array([means.var(ddof=1), (1 - (1 / counts).mean()) * within])
    freedoms = np.array([means.size - 1, freedom])
    variance = float(squares.sum())
    below = squares * (1 - freedoms / stats.chi2.ppf(1 - TAIL, freedoms))
    above = squares * (freedoms / stats.chi2.ppf(TAIL, freedoms) - 1)
    sd = math.sqrt(variance)
    sd_low = math.sqrt(max(variance - math.hypot(*below), 0.0))
    sd_high = math.sqrt(variance + math.hypot(*above))
    mean, t = float(means.mean()), float(stats.t.ppf(1 - TAIL, means.size - 1))
    half = t * math.sqrt(squares[0] / means.size)
    near = math.hypot(half, LIMIT_SDS * (sd - sd_low))
    far = math.hypot(half, LIMIT_SDS * (sd_high - sd))
    bias = Estimate("Mean difference", mean, mean - half, mean + half, "mm", SOURCE)
    return limits_about(bias, sd, (near, far), Cases(means.size, noun="subjects"), SOURCE)

"""How well a measurement, cut at a threshold, finds a reference finding."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from meniscal_measure.caliper.decision import flag
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.agreement.clusters import Error, complete_pairs, is_clustered
from meniscal_measure.cohort.agreement.estimates import Cases, Estimate, FloatArray, Lines
from meniscal_measure.cohort.agreement.labels import Codes
from meniscal_measure.cohort.agreement.proportions import clustered_proportion
from meniscal_measure.errors import AgreementError

SOURCE_AUC = "DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845"
SOURCE_AUC_CLUSTERED = "Obuchowski NA. Biometrics 1997;53:567-578 (several cases of a subject)"
SOURCE_YOUDEN = "Youden WJ. Cancer 1950;3:32-35 (positive at or above it)"

NOISE_DECIMALS = 9
"""Decimals of a mm to which measurements are rounded, so that rounding noise (1e-13 mm) adds no
threshold; fine enough that no value crosses the flag's tie tolerance."""


@dataclass(frozen=True)
class Counts:
    """Cases by finding and by test."""

    true_positive: int
    false_negative: int
    false_positive: int
    true_negative: int


@dataclass(frozen=True)
class Accuracy(Lines):
    """Sensitivity, specificity and what follows from them, each a fraction."""

    counts: Counts
    sensitivity: Estimate
    specificity: Estimate
    positive_predictive_value: Estimate
    negative_predictive_value: Estimate
    correct: Estimate
    cases: Cases


@dataclass(frozen=True)
class Roc:
    """Receiver operating characteristic of a measurement against a reference finding.

    `thresholds_mm` falls from infinity; a case is positive when its value is greater or equal.
    Values equal to `NOISE_DECIMALS` are one threshold.
    `sensitivity` and `false_positive_rate` are those of each threshold.
    """

    thresholds_mm: FloatArray
    sensitivity: FloatArray
    false_positive_rate: FloatArray
    area: Estimate
    youden_mm: Estimate | None
    """Threshold with the largest sum of sensitivity and specificity; optimistic on its own data.
    None where no threshold does better than chance."""
    cases: Cases

    def point(self, conventions: Conventions) -> tuple[float, float]:
        """Find false positive rate and sensitivity of the flag, as single readings are flagged."""
        flagged = [flag(value, conventions) for value in self.thresholds_mm.tolist()]
        last = sum(flagged) - 1  # thresholds fall from infinity, which is always flagged
        return float(self.false_positive_rate[last]), float(self.sensitivity[last])


def accuracy(
    flags: ArrayLike, reference: ArrayLike, *, subjects: ArrayLike | None = None
) -> Accuracy:
    """Work out sensitivity, specificity and predictive values of a flag.

    Parameters
    ----------
    flags, reference
        1 or True for yes, 0 or False for no, NaN where missing, shape (n,).
    subjects
        Whose each case is, shape (n,); where a subject has several, the intervals respect it.

    Examples
    --------
    >>> found = accuracy([1] * 28 + [0] * 32, [1] * 30 + [0] * 30)
    >>> round(100 * found.negative_predictive_value.value, 1)
    93.8
    """
    test, finding, codes, cases = complete_pairs(flags, reference, subjects)
    _check_yes_no(test, "flag")
    _check_yes_no(finding, "reference finding")
    tn, fp, fn, tp = np.bincount((2 * finding + test).astype(int), minlength=4).tolist()

    def share(name: str, hits: FloatArray, among: FloatArray) -> Estimate:
        return clustered_proportion(name, hits[among == 1], codes[among == 1])

    everyone = np.ones_like(test)
    return Accuracy(
        Counts(tp, fn, fp, tn),
        share("Sensitivity", test, finding),
        share("Specificity", 1 - test, 1 - finding),
        share("Positive predictive value", finding, test),
        share("Negative predictive value", 1 - finding, 1 - test),
        share("Correctly classified", 1 - np.abs(test - finding), everyone),
        cases,
    )


def roc_curve(values: ArrayLike, reference: ArrayLike, *, subjects: ArrayLike | None = None) -> Roc:
    """Compare a measurement with a reference finding at every threshold.

    The interval of the area is cut off at 0 and 1, and left out where cases with and without the
    finding are separated completely.

    Parameters
    ----------
    values
        Measurements, larger speaking for the finding, mm, shape (n,); NaN where missing.
    reference
        1 or True with the finding, 0 or False without, NaN where missing, shape (n,).
    subjects
        Whose each case is, shape (n,); where a subject has several, the interval respects it.

    Raises
    ------
    AgreementError
        If there are fewer than two cases with the finding, or without.

    Examples
    --------
    >>> round(roc_curve([1, 2, 3, 4, 5, 6], [0, 0, 1, 0, 1, 1]).area.value, 3)
    0.889
    """
    measured, finding, codes, cases = complete_pairs(values, reference, subjects)
    _check_yes_no(finding, "reference finding")
    measured = measured.round(NOISE_DECIMALS)
    with_it, without = measured[finding == 1], measured[finding == 0]
    if min(with_it.size, without.size) < 2:
        raise AgreementError(
            f"{with_it.size} cases have the reference finding and {without.size} do not; a ROC"
            " curve needs two of each. Add cases, or check the names of subjects, visits and sides."
        )
    thresholds = np.concatenate([[np.inf], np.unique(measured)[::-1]])
    sensitivity = _share_at_or_above(with_it, thresholds)
    false_positive = _share_at_or_above(without, thresholds)
    best = int(np.argmax(sensitivity - false_positive))
    youden = Estimate("Youden threshold", float(thresholds[best]), unit="mm", source=SOURCE_YOUDEN)
    return Roc(
        thresholds,
        sensitivity,
        false_positive,
        _area(measured, finding == 1, codes),
        youden if best > 0 else None,
        cases,
    )


def _check_yes_no(values: FloatArray, what: str) -> None:
    if not np.isin(values, (0, 1)).all():
        raise AgreementError(f"A {what} must be 1 (yes) or 0 (no), or empty if missing.")


def _share_at_or_above(values: FloatArray, thresholds: FloatArray) -> FloatArray:
    below = np.searchsorted(np.sort(values), thresholds, side="left")
    return np.asarray(1 - below / values.size, dtype=np.float64)


def _area(values: FloatArray, finding: NDArray[np.bool_], codes: Codes) -> Estimate:
    """Area and its interval from the placement of each case among those of the other kind."""
    with_it, without = values[finding], values[~finding]
    m, n = with_it.size, without.size
    overall = stats.rankdata(np.concatenate([with_it, without]))
    placed = (overall[:m] - stats.rankdata(with_it)) / n
    displaced = 1 - (overall[m:] - stats.rankdata(without)) / m
    name, area = "Area under the ROC curve", float(placed.mean())
    if is_clustered(codes):
        source = SOURCE_AUC_CLUSTERED
        error = _clustered_area_error(placed, displaced, codes[finding], codes[~finding])
    else:
        source = SOURCE_AUC
        error = math.sqrt(placed.var(ddof=1) / m + displaced.var(ddof=1) / n)
    # Where the two kinds are separated completely, nothing is known of the error.
    low, high = Error(error, math.inf).interval(area, 0.0, 1.0)
    return Estimate(name, area, low, high, source=source)


def _clustered_area_error(
    placed: FloatArray, displaced: FloatArray, with_it: Codes, without: Codes
) -> float:
    """Work out the standard error from placements summed within subjects (Obuchowski 1997)."""
    subjects = int(max(with_it.max(), without.max())) + 1
    area = placed.mean()
    ill = np.bincount(with_it, placed - area, minlength=subjects)
    well = np.bincount(without, displaced - area, minlength=subjects)
    m, n = placed.size, displaced.size
    having, lacking = (np.unique(codes).size for codes in (with_it, without))
    if min(having, lacking) < 2:
        return math.nan
    variance = (
        having / (having - 1) * (ill**2).sum() / m**2
        + lacking / (lacking - 1) * (well**2).sum() / n**2
        + 2 * subjects / (subjects - 1) * (ill * well).sum() / (m * n)
    )
    return math.sqrt(max(float(variance), 0.0))

"""A cut-off chosen from the data it is judged on, corrected for its optimism.

The threshold with the largest sum of sensitivity and specificity also fits the chance in the data.
Its performance on new data is estimated by choosing it on subjects drawn with replacement and
judging it on those not drawn. (Subtracting the mean optimism of the drawn ones, as is often done,
left half of it in simulations of 40 to 200 cases.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.cohort.agreement.clusters import complete_pairs
from meniscal_measure.cohort.agreement.diagnostic import NOISE_DECIMALS, SOURCE_YOUDEN
from meniscal_measure.cohort.agreement.estimates import TAIL, Estimate, FloatArray, Lines
from meniscal_measure.cohort.agreement.labels import Codes

SOURCE = "subjects not drawn in a bootstrap: Efron B, Tibshirani R. J Am Stat Assoc 1997;92:548-560"

RESAMPLES = 1000
"""Enough for the ends of a percentile interval (Efron B, Tibshirani R. An Introduction to the
Bootstrap. Chapman & Hall; 1993, section 13.3)."""

MOST_WORK = 2 * 10**8
"""Cases times resamples: more cases need fewer resamples, as chance matters less."""

FEWEST_RESAMPLES = 100


@dataclass(frozen=True)
class CutOff(Lines):
    """The best cut-off, its interval, and its success before and after correction."""

    threshold_mm: Estimate
    apparent: Estimate
    """Youden index, sensitivity + specificity - 1, in the data that chose the cut-off."""
    corrected: Estimate
    """The same, as expected in new data."""


@dataclass(frozen=True)
class _Curve:
    """Cases in the order of their values, and where one value ends and the next begins."""

    finding: FloatArray
    ends: NDArray[np.intp]
    thresholds_mm: FloatArray

    def youden(self, weights: FloatArray) -> FloatArray:
        """Sensitivity + specificity - 1 at each threshold, cases weighted; shape (thresholds,)."""
        ill, well = weights * self.finding, weights * (1 - self.finding)
        return _share_from(ill, self.ends) - _share_from(well, self.ends)


def best_cut_off(
    values: ArrayLike, reference: ArrayLike, *, subjects: ArrayLike | None = None
) -> CutOff | None:
    """Find the cut-off with the largest Youden index, and correct that for optimism.

    Parameters
    ----------
    values
        Measurements, larger speaking for the finding, mm, shape (n,); NaN where missing.
    reference
        1 with the finding, 0 without, NaN where missing, shape (n,).
    subjects
        Whose each case is, shape (n,); subjects are drawn whole.

    Returns
    -------
    CutOff or None
        None where no threshold does better than chance.

    Examples
    --------
    >>> found = best_cut_off([1, 2, 3, 3, 4, 5, 6, 7], [0, 0, 0, 1, 0, 1, 1, 1])
    >>> found.threshold_mm.value, found.apparent.value > found.corrected.value
    (5.0, True)
    """
    measured, finding, codes, cases = complete_pairs(values, reference, subjects)
    order = np.argsort(measured.round(NOISE_DECIMALS), kind="stable")
    ordered = measured.round(NOISE_DECIMALS)[order]
    starts = np.flatnonzero(np.r_[True, np.diff(ordered) > 0])
    curve = _Curve(finding[order], starts, ordered[starts])
    apparent = curve.youden(np.ones(cases.used))
    best = int(apparent.argmax())
    if not apparent[best] > 0:
        return None
    elsewhere, thresholds = _resampled(curve, codes[order])
    low, high = np.quantile(thresholds, [TAIL, 1 - TAIL]).tolist()
    name, source = "Cut-off with the largest Youden index", f"{SOURCE_YOUDEN}; {SOURCE}"
    return CutOff(
        Estimate(name, float(curve.thresholds_mm[best]), low, high, "mm", source),
        Estimate("Youden index in these data", float(apparent[best]), source=SOURCE_YOUDEN),
        Estimate("Youden index, corrected", elsewhere, source=SOURCE),
    )


def _share_from(weights: FloatArray, starts: NDArray[np.intp]) -> FloatArray:
    """Share of the weight at or above each threshold."""
    below = np.cumsum(weights)
    total = below[-1]
    if total == 0:
        return np.zeros(starts.size)
    return np.asarray(1 - (below[starts] - weights[starts]) / total)


def _resampled(curve: _Curve, codes: Codes) -> tuple[float, FloatArray]:
    """Resample the subjects: mean index in those not drawn, and the cut-off of each resample."""
    chance, subjects = np.random.default_rng(1), int(codes.max()) + 1
    draws = max(FEWEST_RESAMPLES, min(RESAMPLES, MOST_WORK // codes.size))
    elsewhere, thresholds = np.empty(draws), np.empty(draws)
    for draw in range(draws):
        times = np.bincount(chance.integers(0, subjects, subjects), minlength=subjects)
        best = int(curve.youden(times[codes].astype(np.float64)).argmax())
        elsewhere[draw] = curve.youden((times == 0)[codes].astype(np.float64))[best]
        thresholds[draw] = curve.thresholds_mm[best]
    return float(elsewhere.mean()), thresholds

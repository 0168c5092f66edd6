"""Groups of knees described and compared."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import (
    LEVEL,
    Cases,
    Estimate,
    FloatArray,
    as_floats,
    require,
    tail,
)
from meniscal_measure.cohort.agreement.proportions import proportion

SOURCE_MEAN = "t interval (Student 1908)"
SOURCE_WELCH = "Welch BL. Biometrika 1947;34:28-35 (unequal variances)"


@dataclass(frozen=True)
class GroupSummary:
    """Distribution of a measurement within one group."""

    group: str
    mean: Estimate
    sd: Estimate
    lower_quartile: Estimate
    median: Estimate
    upper_quartile: Estimate
    flagged: Estimate
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        quartiles = self.lower_quartile, self.median, self.upper_quartile
        return self.mean, self.sd, *quartiles, self.flagged


def summarise_groups(
    groups: ArrayLike, values_mm: ArrayLike, flags: ArrayLike, *, level: float = LEVEL
) -> tuple[GroupSummary, ...]:
    """Describe each group.

    Parameters
    ----------
    groups
        Label of each knee's group, shape (n,).
    values_mm
        Measurements, NaN where missing, shape (n,).
    flags
        1 where above the threshold, 0 where not, NaN where missing, shape (n,).
    level
        Confidence level of the intervals of mean and share, a fraction.

    Raises
    ------
    AgreementError
        If a group has fewer than two measured knees.
    """
    labels, codes = np.unique(np.asarray(groups, dtype=str), return_inverse=True)
    values, flagged = as_floats(values_mm), as_floats(flags)
    return tuple(
        _summary(str(label), values[codes == number], flagged[codes == number], level)
        for number, label in enumerate(labels)
    )


def _summary(group: str, values: FloatArray, flags: FloatArray, level: float) -> GroupSummary:
    known = values[~np.isnan(values)]
    require(known.size, 2, f"The summary of group {group!r}")
    sd = float(known.std(ddof=1))
    half = float(stats.t.ppf(1 - tail(level), known.size - 1)) * sd / math.sqrt(known.size)
    mean = float(known.mean())
    quartiles = np.quantile(known, [0.25, 0.5, 0.75]).tolist()
    said = flags[~np.isnan(flags)]
    return GroupSummary(
        group,
        Estimate("Mean", mean, mean - half, mean + half, "mm", SOURCE_MEAN),
        Estimate("SD", sd, unit="mm"),
        Estimate("Lower quartile", quartiles[0], unit="mm"),
        Estimate("Median", quartiles[1], unit="mm"),
        Estimate("Upper quartile", quartiles[2], unit="mm"),
        proportion("Flagged", int(said.sum()), said.size, level=level),
        Cases(known.size, values.size - known.size),
    )


def compare_groups(
    first_mm: ArrayLike, second_mm: ArrayLike, *, level: float = LEVEL
) -> tuple[Estimate, Estimate]:
    """Estimate the difference of two groups' means (first minus second) and its p value.

    Raises
    ------
    AgreementError
        If a group has fewer than two measured knees.
    """
    one, two = (v[~np.isnan(v)] for v in (as_floats(first_mm), as_floats(second_mm)))
    require(min(one.size, two.size), 2, "The comparison of two groups")
    result = stats.ttest_ind(one, two, equal_var=False)
    bounds = result.confidence_interval(level)
    difference = float(one.mean() - two.mean())
    low, high = float(bounds.low), float(bounds.high)
    return (
        Estimate("Difference of means", difference, low, high, "mm", SOURCE_WELCH),
        Estimate("p of equal means", float(result.pvalue), source=SOURCE_WELCH),
    )

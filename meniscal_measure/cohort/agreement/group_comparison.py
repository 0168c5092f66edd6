"""Groups of knees described and compared, allowing for several knees of one subject."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.cohort.agreement.clusters import (
    SOURCE_MEAN,
    Error,
    is_clustered,
    linearised_error,
    subject_codes,
)
from meniscal_measure.cohort.agreement.estimates import (
    Cases,
    Estimate,
    FloatArray,
    Lines,
    as_floats,
    require,
)
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.cohort.agreement.proportions import clustered_proportion

SOURCE_T = "t interval (Student. Biometrika 1908;6:1-25)"
SOURCE_WELCH = "Welch BL. Biometrika 1947;34:28-35 (unequal variances)"
SOURCE_WELCH_CLUSTERED = f"{SOURCE_WELCH}, sums within subjects in place of single values"


@dataclass(frozen=True)
class GroupSummary(Lines):
    """Distribution of a measurement within one group."""

    group: str
    mean: Estimate
    sd: Estimate
    lower_quartile: Estimate
    median: Estimate
    upper_quartile: Estimate
    flagged: Estimate
    cases: Cases


@dataclass(frozen=True)
class Sample:
    """Measurements of one group, each with its subject; all arrays have shape (n,)."""

    values_mm: FloatArray
    subjects: ArrayLike | None = None

    def known(self) -> tuple[FloatArray, NDArray[Any] | None]:
        """Values that are not missing, with their subjects."""
        keep = ~np.isnan(self.values_mm)
        owners = None if self.subjects is None else np.asarray(self.subjects)[keep]
        return self.values_mm[keep], owners


def mean_of(name: str, sample: Sample) -> Estimate:
    """Estimate the mean of a sample with its t interval.

    Examples
    --------
    >>> found = mean_of("Mean", Sample(np.array([1.0, 2.0, 3.0, 4.0])))
    >>> round(found.value, 2), round(found.low, 2), round(found.high, 2)
    (2.5, 0.45, 4.55)
    """
    values, owners = sample.known()
    require(values.size, 2, name)
    codes = subject_codes(owners, values.size)
    mean, error = float(values.mean()), linearised_error(values, codes)
    low, high = (mean, mean) if error.se == 0 else error.interval(mean)
    return Estimate(name, mean, low, high, "mm", SOURCE_MEAN if is_clustered(codes) else SOURCE_T)


def summarise_groups(
    groups: ArrayLike | Labels,
    values_mm: ArrayLike,
    flags: ArrayLike,
    *,
    subjects: ArrayLike | None = None,
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
    subjects
        Whose each knee is, shape (n,); where a subject has several, the intervals respect it.

    Raises
    ------
    AgreementError
        If a group has fewer than two measured knees.

    Examples
    --------
    >>> found = summarise_groups(["a", "a", "b", "b"], [1, 3, 4, 6], [0, 0, 1, 1])
    >>> [(one.group, one.mean.value, one.flagged.value) for one in found]
    [('a', 2.0, 0.0), ('b', 5.0, 1.0)]
    """
    labels = Labels.of(groups)
    values, flagged = as_floats(values_mm), as_floats(flags)
    owners = subject_codes(subjects, values.size)
    return tuple(
        _summary(str(label), values[rows], flagged[rows], owners[rows])
        for label in labels.names
        for rows in (labels.is_(label),)
    )


def _summary(group: str, values: FloatArray, flags: FloatArray, owners: Codes) -> GroupSummary:
    known = values[~np.isnan(values)]
    require(known.size, 2, f"The summary of group {group!r}")
    quartiles = np.quantile(known, [0.25, 0.5, 0.75]).tolist()
    said = ~np.isnan(flags)
    return GroupSummary(
        group,
        mean_of("Mean", Sample(values, owners)),
        Estimate("SD", float(known.std(ddof=1)), unit="mm"),
        Estimate("Lower quartile", quartiles[0], unit="mm"),
        Estimate("Median", quartiles[1], unit="mm"),
        Estimate("Upper quartile", quartiles[2], unit="mm"),
        clustered_proportion("Flagged", flags[said], owners[said]),
        Cases(known.size, values.size - known.size),
    )


def compare_groups(first: Sample, second: Sample) -> tuple[Estimate, Estimate]:
    """Estimate the difference of two groups' means (first minus second) and its p value.

    Where a subject has knees in both groups, what these have in common cancels.

    Raises
    ------
    AgreementError
        If a group has fewer than two measured knees.

    Examples
    --------
    >>> tear, control = Sample(np.array([4.0, 5.0, 3.5])), Sample(np.array([2.0, 2.5, 1.5, 2.0]))
    >>> difference, p = compare_groups(tear, control)
    >>> f"{difference.value:.2f} ({difference.low:.2f} to {difference.high:.2f}), p {p.value:.3f}"
    '2.17 (0.58 to 3.76), p 0.023'
    """
    one, first_owners = first.known()
    two, second_owners = second.known()
    require(min(one.size, two.size), 2, "The comparison of two groups")
    owners = None
    if first_owners is not None and second_owners is not None:
        owners = np.concatenate([first_owners, second_owners])
    codes = subject_codes(owners, one.size + two.size)
    error = _difference_error(one, two, codes)
    source = SOURCE_WELCH_CLUSTERED if is_clustered(codes) else SOURCE_WELCH
    difference = float(one.mean() - two.mean())
    p = Estimate("p of equal means", error.p_value(difference), source=source)
    low, high = error.interval(difference)
    return Estimate("Difference of means", difference, low, high, "mm", source), p


def _difference_error(one: FloatArray, two: FloatArray, codes: Codes) -> Error:
    """Error of a difference of means; with one knee of each subject that of Welch's test."""
    subjects = int(codes.max()) + 1
    halves = []
    for values, owners in ((one, codes[: one.size]), (two, codes[one.size :])):
        present = np.unique(owners).size
        if present < 2:
            return Error(math.nan, 1)
        sums = np.bincount(owners, values - values.mean(), minlength=subjects) / values.size
        halves.append((math.sqrt(present / (present - 1)) * sums, present - 1))
    (a, df_a), (b, df_b) = halves
    alone = [float((part**2).sum()) for part in (a, b)]
    variance = sum(alone) - 2 * float((a * b).sum())
    freedom = float(df_a + df_b)
    if min(alone) > 0:
        freedom = sum(alone) ** 2 / (alone[0] ** 2 / df_a + alone[1] ** 2 / df_b)
    return Error(math.sqrt(max(variance, 0.0)), freedom)

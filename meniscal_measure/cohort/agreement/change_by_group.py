"""Whether groups changed differently between two visits: the change of each, and the difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import linearised_error, subject_codes
from meniscal_measure.cohort.agreement.estimates import Cases, Estimate, as_floats, require
from meniscal_measure.cohort.agreement.group_comparison import Sample, compare_groups, mean_of
from meniscal_measure.cohort.agreement.labels import Labels, named

SOURCE_HOLM = "Holm S. Scand J Stat 1979;6:65-70"


@dataclass(frozen=True)
class GroupChange:
    """Mean change of one group."""

    group: str
    mean: Estimate
    p: float
    """Of no change."""
    cases: Cases


@dataclass(frozen=True)
class ChangeDifference:
    """How much more one group changed than another (first minus second)."""

    first: str
    second: str
    difference: Estimate
    p: float
    p_adjusted: float
    """Holm's, for all pairs of groups."""


@dataclass(frozen=True)
class ChangeByGroup:
    """Within-group changes and the differences between every two groups."""

    groups: tuple[GroupChange, ...]
    differences: tuple[ChangeDifference, ...]


def change_by_group(
    groups: ArrayLike | Labels, changes_mm: ArrayLike, *, subjects: ArrayLike | None = None
) -> ChangeByGroup:
    """Compare the changes of groups between two visits, each group with those named before it.

    Parameters
    ----------
    groups
        Group of each knee, shape (n,).
    changes_mm
        Follow-up minus baseline of each knee, NaN where a visit is missing, shape (n,).
    subjects
        Whose each knee is, shape (n,); where a subject has two, the intervals respect it.

    Raises
    ------
    AgreementError
        If a group has fewer than two knees with both visits.

    Examples
    --------
    >>> found = change_by_group(["a", "a", "a", "b", "b", "b"], [0.1, 0.2, 0.0, 0.9, 1.1, 1.3])
    >>> [round(one.mean.value, 2) for one in found.groups]
    [0.1, 1.1]
    >>> round(found.differences[0].difference.value, 2), found.differences[0].first
    (1.0, 'b')
    """
    labels, values = Labels.of(groups), as_floats(changes_mm)
    codes = subject_codes(subjects, values.size)
    samples = {
        name: Sample(values[own], codes[own])
        for name in labels.names.tolist()
        for own in (labels.is_(name),)
    }
    found = tuple(_group(name, sample) for name, sample in samples.items())
    pairs = [
        (later, earlier, *compare_groups(samples[later], samples[earlier]))
        for earlier, later in combinations(samples, 2)
    ]
    adjusted = holm([p.value for _, _, _, p in pairs])
    differences = tuple(
        ChangeDifference(first, second, difference, p.value, together)
        for (first, second, difference, p), together in zip(pairs, adjusted, strict=True)
    )
    return ChangeByGroup(found, differences)


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjust p values for their number; NaN stays NaN and does not count.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p_values, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.argsort(values[known], kind="stable")]
    factors = np.arange(order.size, 0, -1)
    adjusted = values.copy()
    adjusted[order] = np.minimum(np.maximum.accumulate(values[order] * factors), 1.0)
    return tuple(adjusted.tolist())


def _group(name: str, sample: Sample) -> GroupChange:
    values, owners = sample.known()
    require(values.size, 2, f"The change of group {name!r}")
    mean = mean_of(f"Mean change, {named(name)}", sample)
    p = linearised_error(values, subject_codes(owners, values.size)).p_value(mean.value)
    missing = sample.values_mm.size - values.size
    return GroupChange(name, mean, p, Cases(values.size, missing, "knees"))

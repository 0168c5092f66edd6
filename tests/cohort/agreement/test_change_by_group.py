"""Change by group: the study's first question."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.cohort.agreement.change_by_group import change_by_group
from meniscal_measure.errors import AgreementError


def test_within_and_between_groups_agree_with_t_tests() -> None:
    rng = np.random.default_rng(90)
    tear, control = rng.normal(0.6, 0.5, 30), rng.normal(0.2, 0.3, 28)
    groups = ["tear"] * 30 + ["control"] * 28
    found = change_by_group(groups, np.concatenate([tear, control]))
    own = [stats.ttest_1samp(values, 0) for values in (control, tear)]
    assert [one.p for one in found.groups] == pytest.approx([t.pvalue for t in own])
    (between,) = found.differences
    expected = stats.ttest_ind(tear, control, equal_var=False)
    assert (between.first, between.second) == ("tear", "control")
    assert between.p == between.p_adjusted == pytest.approx(expected.pvalue)


def test_three_groups_give_three_differences_adjusted_together() -> None:
    rng = np.random.default_rng(91)
    groups = np.repeat(["a", "b", "c"], 20)
    found = change_by_group(groups, rng.normal([0.0] * 20 + [0.4] * 20 + [0.8] * 20, 0.5))
    assert [(one.first, one.second) for one in found.differences] == [
        ("b", "a"), ("c", "a"), ("c", "b"),
    ]  # fmt: skip
    assert all(one.p_adjusted >= one.p for one in found.differences)
    assert max(one.p_adjusted / one.p for one in found.differences) > 2


def test_knees_without_both_visits_are_counted() -> None:
    found = change_by_group(["a"] * 3 + ["b"] * 3, [0.1, 0.2, np.nan, 0.5, 0.6, 0.7])
    assert [(one.cases.used, one.cases.left_out) for one in found.groups] == [(2, 1), (3, 0)]


def test_a_group_with_one_pair_of_visits_is_refused() -> None:
    with pytest.raises(AgreementError, match="change of group 'b' needs at least 2"):
        change_by_group(["a", "a", "b"], [0.1, 0.2, 0.5])

"""Groups described, compared and modelled."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy import stats

from meniscal_measure.cohort.agreement.group_comparison import (
    Sample,
    compare_groups,
    summarise_groups,
)
from meniscal_measure.errors import AgreementError


def test_a_group_is_described_by_mean_spread_and_share_flagged() -> None:
    groups = ["tear"] * 4 + ["control"] * 4
    values = [4.0, 5.0, 3.0, np.nan, 1.0, 2.0, 1.5, 3.5]
    flags = [1, 1, 0, np.nan, 0, 0, 0, 1]
    control, tear = summarise_groups(groups, values, flags)
    assert (control.group, tear.group) == ("control", "tear")
    assert tear.mean.value == pytest.approx(4.0)
    assert tear.flagged.value == pytest.approx(2 / 3)
    assert (tear.cases.used, tear.cases.left_out) == (3, 1)
    expected = stats.ttest_1samp([1.0, 2.0, 1.5, 3.5], 0).confidence_interval(0.95)
    assert (control.mean.low, control.mean.high) == pytest.approx((expected.low, expected.high))
    quartiles = (control.lower_quartile, control.median, control.upper_quartile)
    assert [one.value for one in quartiles] == pytest.approx([1.375, 1.75, 2.375])


def test_published_difference_of_women_and_men_from_its_summary() -> None:
    # Bloecker, BMC Musculoskelet Disord 2011;12:248: women 1.83 (1.06), men 1.24 (1.18) mm,
    # p = 0.011, 102 knees; two samples of 51 built to exactly these means and SDs.
    shape = np.random.default_rng(70).normal(size=(2, 51))
    shape = (shape - shape.mean(axis=1, keepdims=True)) / shape.std(axis=1, ddof=1, keepdims=True)
    difference, p = compare_groups(Sample(1.83 + 1.06 * shape[0]), Sample(1.24 + 1.18 * shape[1]))
    assert difference.value == pytest.approx(0.59)
    assert p.value == pytest.approx(0.011, abs=0.003)


def test_a_group_of_one_is_refused() -> None:
    with pytest.raises(AgreementError, match="group 'a' needs at least 2 complete cases"):
        summarise_groups(["a", "b", "b"], [1.0, 2.0, 3.0], [0, 0, 0])


def test_one_knee_of_each_subject_gives_welchs_test() -> None:
    rng = np.random.default_rng(75)
    one, two = rng.normal(3, 1.4, 23), rng.normal(2, 0.6, 31)
    difference, p = compare_groups(Sample(one), Sample(two))
    expected = stats.ttest_ind(one, two, equal_var=False)
    bounds = expected.confidence_interval()
    assert (difference.low, difference.high) == pytest.approx((bounds.low, bounds.high))
    assert p.value == pytest.approx(expected.pvalue)


def test_two_knees_of_each_subject_agree_with_a_cluster_robust_regression() -> None:
    # statsmodels OLS with subject-clustered errors and no small-sample factor; here each group has
    # its factor m / (m - 1) instead.
    rng = np.random.default_rng(76)
    subject = np.repeat(np.arange(60), 2)
    group = (subject % 2).astype(float)
    y = 2 + group + np.repeat(rng.normal(0, 1, 60), 2) + rng.normal(0, 0.4, 120)
    fit = sm.OLS(y, sm.add_constant(group)).fit(
        cov_type="cluster", cov_kwds={"groups": subject, "use_correction": False}
    )
    difference, _ = compare_groups(
        Sample(y[group == 1], subject[group == 1]), Sample(y[group == 0], subject[group == 0])
    )
    assert difference.value == pytest.approx(fit.params[1])
    assert difference.low is not None
    half = difference.value - difference.low
    assert half == pytest.approx(fit.bse[1] * (30 / 29) ** 0.5 * stats.t.ppf(0.975, 58), rel=2e-3)


def test_a_knee_in_each_group_is_compared_as_a_pair() -> None:
    # Every subject has one knee in each group: the error is that of the paired differences.
    rng = np.random.default_rng(77)
    subjects = np.arange(25)
    level = rng.normal(2, 1, 25)
    one, two = level + 0.5 + rng.normal(0, 0.1, 25), level + rng.normal(0, 0.1, 25)
    difference, _ = compare_groups(Sample(one, subjects), Sample(two, subjects))
    assert difference.low is not None
    paired = stats.sem(one - two)
    assert (difference.value - difference.low) / paired == pytest.approx(2.0, abs=0.1)

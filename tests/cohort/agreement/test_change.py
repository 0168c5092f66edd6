"""Change between visits, knee by knee and on average."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.cohort.agreement.change import KneeChanges, mean_change


@pytest.fixture
def changes() -> KneeChanges:
    return KneeChanges(
        knees=np.array(["a", "b", "c", "d"]),
        baseline_mm=np.array([3.3, 2.0, 4.0, 3.0]),
        follow_up_mm=np.array([5.5, 2.3, 3.0, np.nan]),
        u_baseline_mm=np.full(4, 0.3),
        u_follow_up_mm=np.array([0.4, 0.4, 0.4, np.nan]),
        subjects=np.arange(4),
        detectable_mm=0.81,
    )


def test_uncertainties_of_the_visits_add_in_squares(changes: KneeChanges) -> None:
    assert changes.change_mm[:3] == pytest.approx([2.2, 0.3, -1.0])
    assert changes.u_mm[:3] == pytest.approx([0.5, 0.5, 0.5])  # 3-4-5


def test_each_knee_is_compared_with_the_method_and_with_itself(changes: KneeChanges) -> None:
    assert changes.exceeds_detectable.tolist() == [True, False, True, False]
    # 1.96 x 0.5 = 0.98
    assert changes.exceeds_uncertainty.tolist() == [True, False, True, False]


def test_mean_change_has_the_paired_t_interval(changes: KneeChanges) -> None:
    result = mean_change(changes)
    expected = stats.ttest_1samp([2.2, 0.3, -1.0], 0).confidence_interval(0.95)
    assert (result.mean.low, result.mean.high) == pytest.approx((expected.low, expected.high))
    assert result.more.value == pytest.approx(1 / 3)
    assert result.less.value == pytest.approx(1 / 3)
    assert (result.cases.used, result.cases.left_out) == (3, 1)


def test_change_of_the_method_alone_is_found_in_one_knee_of_twenty() -> None:
    rng = np.random.default_rng(60)
    n, sem = 20_000, 0.25
    first, second = 3 + rng.normal(0, sem, (2, n))
    u = np.full(n, sem)
    knees, limit_mm = np.arange(n), 1.96 * 2**0.5 * sem
    result = KneeChanges(knees.astype(str), first, second, u, u, knees, limit_mm)
    # Four standard errors of a share of 5 % among 20,000 are 0.6 %.
    assert result.exceeds_detectable.mean() == pytest.approx(0.05, abs=0.006)
    assert np.array_equal(result.exceeds_detectable, result.exceeds_uncertainty)

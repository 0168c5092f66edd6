"""Weighted kappa against Cohen's example and two general statistics libraries."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score  # type: ignore[import-untyped]
from statsmodels.stats.inter_rater import cohens_kappa  # type: ignore[import-untyped]

from meniscal_measure.cohort.agreement.kappa import Weights, kappa_of_table, weighted_kappa
from meniscal_measure.errors import AgreementError

# Cohen, Psychol Bull 1968;70:213-220, Table 1: N = 200, three diagnoses.
COHEN = 200 * np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])


@pytest.mark.parametrize(
    ("weights", "expected"),
    [
        (Weights.NONE, 0.492),
        (Weights.LINEAR, 0.473684),
        (Weights.QUADRATIC, 0.454545),
    ],
)
def test_cohens_example(weights: Weights, expected: float) -> None:
    # .492 is printed; linear and quadratic computed from the same table.
    assert kappa_of_table(COHEN, weights=weights).kappa.value == pytest.approx(expected, abs=5e-4)


def test_two_by_two_by_hand() -> None:
    # Agreement 35 / 50 = .70, by chance .50, so kappa .40.
    result = kappa_of_table([[20, 5], [10, 15]], weights=Weights.NONE)
    assert (result.observed, result.expected) == pytest.approx((0.70, 0.50))
    assert result.kappa.value == pytest.approx(0.40)


@pytest.mark.parametrize("weights", [Weights.LINEAR, Weights.QUADRATIC])
def test_value_and_interval_agree_with_statistics_libraries(weights: Weights) -> None:
    rng = np.random.default_rng(30)
    first = rng.integers(0, 4, 300)
    second = np.clip(first + rng.integers(-1, 2, 300), 0, 3)
    found = weighted_kappa(first, second, grades=4, weights=weights)
    assert found.kappa.value == pytest.approx(
        cohen_kappa_score(first, second, weights=weights.value)
    )
    theirs = cohens_kappa(found.table, wt=weights.value)
    assert (found.kappa.low, found.kappa.high) == pytest.approx(
        (theirs.kappa_low, theirs.kappa_upp)
    )


def test_interval_of_unweighted_kappa_agrees_with_statsmodels() -> None:
    found, theirs = kappa_of_table(COHEN, weights=Weights.NONE), cohens_kappa(COHEN)
    assert (found.kappa.low, found.kappa.high) == pytest.approx(
        (theirs.kappa_low, theirs.kappa_upp)
    )


def test_complete_agreement_has_no_interval() -> None:
    kappa = weighted_kappa([0, 1, 2, 3], [0, 1, 2, 3], grades=4).kappa
    assert (kappa.value, kappa.low, kappa.high) == (1.0, None, None)


def test_missing_grades_are_left_out() -> None:
    found = weighted_kappa([0, 1, np.nan, 3, 2], [0, 1, 2, np.nan, 3], grades=4)
    assert (found.cases.used, found.cases.left_out) == (3, 2)


def test_a_grade_off_the_scale_is_refused() -> None:
    with pytest.raises(AgreementError, match="Grade 4 is not one of 0 to 3"):
        weighted_kappa([0, 4, 1], [0, 1, 1], grades=4)


def test_a_grade_that_is_no_whole_number_is_refused() -> None:
    with pytest.raises(AgreementError, match=r"Grade 1\.5 is not one of"):
        weighted_kappa([0, 1.5, 1], [0, 1, 1], grades=4)


def test_one_grade_for_all_is_refused() -> None:
    with pytest.raises(AgreementError, match="kappa is not defined"):
        weighted_kappa([2, 2, 2], [2, 2, 2], grades=4)

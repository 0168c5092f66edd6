"""Measurement error against worked values and laws."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS  # type: ignore[import-untyped]

from meniscal_measure.caliper.detectable_change import smallest_detectable_change
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.repeatability import (
    measurement_error,
    pooled_detectable_change,
    within_cases,
)
from tests.cohort.agreement.rating_tables import ratings_from_table


def test_sem_and_smallest_detectable_change_of_the_six_targets(judges: FloatArray) -> None:
    # From the mean squares printed by Shrout and Fleiss 1979: agreement sqrt(s2_J + s2_E),
    # consistency sqrt(EMS), computed independently of this package.
    result = measurement_error(ratings_from_table(judges))
    assert result.sem_agreement.value == pytest.approx(2.50278, abs=1e-5)
    assert result.sem_consistency.value == pytest.approx(1.00968, abs=1e-5)
    assert result.sdc_agreement.value == pytest.approx(6.93734, abs=3e-4)
    assert result.sdc_consistency.value == pytest.approx(2.79868, abs=2e-4)


def test_change_from_an_error_mean_square() -> None:
    # J Am Soc Nephrol table: MS 1.64 gives a smallest detectable difference of 3.55.
    assert smallest_detectable_change(1.64**0.5) == pytest.approx(3.55, abs=0.005)


@pytest.mark.parametrize(
    ("icc", "sem", "change"),
    [(0.90, 0.29, 0.81), (0.95, 0.21, 0.57)],
)
def test_sem_of_a_published_spread(icc: float, sem: float, change: float) -> None:
    # SD 0.92 mm of mid-coronal medial extrusion: Bruns, BMC Musculoskelet Disord 2014;15:32.
    from_icc = 0.92 * (1 - icc) ** 0.5  # SEM = SD sqrt(1 - ICC): Weir 2005
    assert round(from_icc, 2) == sem
    assert round(smallest_detectable_change(from_icc), 2) == change


def test_repeatability_coefficients_of_the_1986_paper(
    wright_first: FloatArray,
    wright_second: FloatArray,
    mini_first: FloatArray,
    mini_second: FloatArray,
) -> None:
    # Bland and Altman, Lancet 1986: 43.2 and 56.4 l/min, twice the SD of the differences between
    # repeats about zero (printed from rounded steps; unrounded 43.2938 and 56.3163).
    for pair, expected in (
        ((wright_first, wright_second), 43.2938),
        ((mini_first, mini_second), 56.3163),
    ):
        result = measurement_error(ratings_from_table(np.column_stack(pair)))
        assert result.repeatability_coefficient.value == pytest.approx(
            1.96 / 2 * expected, abs=1e-3
        )


def test_intervals_cover_the_true_error_as_often_as_they_say() -> None:
    rng = np.random.default_rng(12)
    trials, hits = 500, 0
    for _ in range(trials):
        values = rng.normal(3, 1, (15, 1)) + rng.normal(0, 0.25, (15, 3))
        found = measurement_error(ratings_from_table(values)).sem_consistency
        hits += (found.low or 0) <= 0.25 <= (found.high or 0)
    # 500 draws at 95 %: four standard errors are 3.9 %.
    assert hits / trials == pytest.approx(0.95, abs=0.039)


def test_an_offset_between_readers_counts_only_for_agreement() -> None:
    truth = np.linspace(1, 5, 10)
    noise = np.random.default_rng(13).normal(0, 0.1, (10, 2))
    result = measurement_error(ratings_from_table(truth[:, None] + noise + [0, 1.0]))
    assert result.sem_consistency.value < 0.2
    assert result.sem_agreement.value > 0.5


def test_readers_who_differ_less_than_chance_add_no_error() -> None:
    truth = np.linspace(1, 5, 10)
    noise = np.random.default_rng(14).normal(0, 0.2, (10, 2))
    noise -= noise.mean(axis=0)
    result = measurement_error(ratings_from_table(truth[:, None] + noise))
    assert result.sem_agreement.value == pytest.approx(result.sem_consistency.value)


def test_coefficient_of_variation_is_a_percentage_of_the_mean() -> None:
    values = np.array([[9.0, 11.0], [10.0, 10.0], [11.0, 9.0]])
    found = measurement_error(ratings_from_table(values)).coefficient_of_variation
    assert found is not None
    # Within-case variances 2, 0, 2: SD sqrt(4 / 3) about a mean of 10.
    assert found.value == pytest.approx(10 * (4 / 3) ** 0.5)
    assert found.unit == "%"


def test_no_coefficient_of_variation_about_a_mean_of_zero() -> None:
    values = np.array([[-1.0, -1.1], [0.5, 0.4], [0.2, 0.6]])
    result = measurement_error(ratings_from_table(values))
    assert result.coefficient_of_variation is None
    assert "Coefficient of variation" not in [line.name for line in result.estimates]


def test_cases_read_unequally_often_are_pooled_by_their_degrees_of_freedom() -> None:
    # By hand: squares about the mean 2.00 + 0.50 + 0.08 over 2 + 1 + 1 degrees of freedom; the
    # case read once adds nothing.
    found = within_cases([*"aaabbccd"], [1, 2, 3, 5, 6, 4, 4.4, 9])
    assert (found.cases, found.readings, found.freedom) == (3, 7, 4)
    assert found.sd**2 == pytest.approx(2.58 / 4)
    change = pooled_detectable_change([found])
    assert change.value == pytest.approx(1.96 * 2**0.5 * 0.645**0.5, rel=1e-4)
    # Chi-square table, 4 degrees of freedom: 2.5 % point 0.484, 97.5 % point 11.143.
    assert (change.low, change.high) == pytest.approx(
        [change.value * (4 / point) ** 0.5 for point in (11.143, 0.484)], rel=1e-3
    )


def test_the_spread_within_cases_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(15)
    cases = np.repeat(np.arange(8), [1, 2, 2, 3, 2, 5, 2, 1])
    values = 0.7 * cases + rng.normal(0, 0.3, cases.size)
    fit = OLS(values, (cases[:, None] == np.arange(8)).astype(float)).fit()
    found = within_cases(cases, values)
    assert found.freedom == fit.df_resid == 10
    assert found.sd**2 == pytest.approx(fit.mse_resid)


def test_the_spread_within_cases_is_that_of_a_complete_table(judges: FloatArray) -> None:
    cases, readers = judges.shape
    found = within_cases(np.repeat(np.arange(cases), readers), judges.ravel())
    expected = measurement_error(ratings_from_table(judges)).within_case_sd
    assert found.sd == pytest.approx(expected.value)


@pytest.mark.parametrize("times", [2, 3, 7])
def test_copies_are_told_from_repeats_whatever_the_rounding(times: int) -> None:
    cases = np.repeat(np.arange(5), times)
    copies = np.repeat([0.1, 2.7, 3.3, 4.1, 5.9], times)
    assert within_cases(cases, copies).identical
    assert not within_cases(cases, copies + 1e-6 * (np.arange(copies.size) == 0)).identical

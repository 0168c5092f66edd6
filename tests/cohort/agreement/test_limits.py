"""Limits of agreement against the paper that proposed them, a handbook, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.limits import (
    LIMIT_SDS,
    differences_and_means,
    limits_of_agreement,
    proportional_bias,
)
from meniscal_measure.errors import AgreementError


class TestPeakFlowOf1986:
    """Bland and Altman, Lancet 1986;i:307-310. Printed values quoted from memory."""

    def test_the_papers_limits_are_two_standard_deviations(
        self, wright_first: FloatArray, mini_first: FloatArray
    ) -> None:
        result = limits_of_agreement(wright_first, mini_first)
        assert round(result.bias.value, 1) == -2.1
        assert round(result.sd.value, 1) == 38.8
        # Printed -79.7 and 75.5 come from rounded steps; unrounded they are these.
        assert result.bias.value - 2 * result.sd.value == pytest.approx(-79.647907, abs=1e-6)
        assert result.bias.value + 2 * result.sd.value == pytest.approx(75.412613, abs=1e-6)

    def test_todays_limits_are_1_96_standard_deviations(
        self, wright_first: FloatArray, mini_first: FloatArray
    ) -> None:
        result = limits_of_agreement(wright_first, mini_first)
        assert result.lower.value == pytest.approx(-78.097302, abs=1e-6)
        assert result.upper.value == pytest.approx(73.862007, abs=1e-6)

    def test_the_interval_of_the_bias(
        self, wright_first: FloatArray, mini_first: FloatArray
    ) -> None:
        bias = limits_of_agreement(wright_first, mini_first).bias
        assert (bias.low, bias.high) == pytest.approx((-22.0, 17.8), abs=0.06)

    def test_the_difference_does_not_grow_with_the_mean(
        self, wright_first: FloatArray, mini_first: FloatArray
    ) -> None:
        result = proportional_bias(wright_first, mini_first)
        difference, mean = differences_and_means(wright_first, mini_first)
        assert result.slope.value == pytest.approx(
            stats.pearsonr(mean, difference).statistic * difference.std() / mean.std()
        )
        assert result.p.value > 0.05


def test_exact_interval_is_the_tolerance_factor_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3: one-sided factor k1 = 1.8740 for n = 43, 90 % coverage,
    # 99 % confidence (quoted from memory). The upper end of the exact interval of a limit is such
    # a factor: coverage Phi(1.96), here compared through the same distribution at n = 43.
    factor = stats.nct.ppf(0.99, 42, stats.norm.ppf(0.9) * 43**0.5) / 43**0.5
    assert factor == pytest.approx(1.8740, abs=5e-5)
    rng = np.random.default_rng(2)
    first, second = rng.normal(size=(2, 43))
    result = limits_of_agreement(first, second)
    expected = stats.nct.ppf(0.975, 42, 1.96 * 43**0.5) / 43**0.5
    assert result.upper.high == pytest.approx(result.bias.value + expected * result.sd.value)


def test_exact_interval_covers_the_true_limit_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    trials, hits = 1000, 0
    for _ in range(trials):
        difference = rng.normal(0, 1, 10)
        found = limits_of_agreement(difference, np.zeros(10)).upper
        hits += (found.low or 0) <= LIMIT_SDS <= (found.high or 0)
    # 1000 draws at 95 %: four standard errors are 2.8 %.
    assert hits / trials == pytest.approx(0.95, abs=0.028)


def test_in_large_samples_the_interval_is_that_of_the_1986_paper() -> None:
    # Standard error sqrt(3 s^2 / n) of a limit.
    difference = np.random.default_rng(3).normal(0.2, 0.5, 20_000)
    found = limits_of_agreement(difference, np.zeros(difference.size))
    half = 1.96 * np.sqrt(3 / difference.size) * found.sd.value
    assert found.upper.high == pytest.approx(found.upper.value + half, abs=1e-3)
    assert found.lower.low == pytest.approx(found.lower.value - half, abs=1e-3)


def test_swapping_the_readers_mirrors_everything() -> None:
    first, second = np.random.default_rng(4).normal(3, 1, (2, 15))
    one, other = limits_of_agreement(first, second), limits_of_agreement(second, first)
    assert other.bias.value == pytest.approx(-one.bias.value)
    assert (other.upper.low, other.upper.high) == pytest.approx(
        (
            -(one.lower.high or 0),
            -(one.lower.low or 0),
        )
    )


def test_a_bias_in_proportion_is_found() -> None:
    truth = np.linspace(0.5, 8, 40)
    noise = np.random.default_rng(6).normal(0, 0.1, 40)
    result = proportional_bias(1.1 * truth + noise, truth)
    # Difference 0.1 t on mean 1.05 t.
    assert result.slope.value == pytest.approx(0.1 / 1.05, abs=0.02)
    assert result.p.value < 1e-6
    assert (result.slope.low or 0) > 0


def test_missing_readings_are_counted() -> None:
    result = limits_of_agreement([1, 2, np.nan, 4, 3], [1.1, np.nan, 3, 3.9, 3.2])
    assert (result.cases.used, result.cases.left_out) == (3, 2)


def test_columns_of_different_length_are_refused() -> None:
    with pytest.raises(AgreementError, match="hold 3 and 2 values"):
        limits_of_agreement([1, 2, 3], [1, 2])


def test_two_cases_are_too_few() -> None:
    with pytest.raises(AgreementError, match="needs at least 3 complete cases and has 2"):
        limits_of_agreement([1, 2], [1, 2.1])


def test_an_infinite_reading_is_refused() -> None:
    with pytest.raises(AgreementError, match="infinite"):
        limits_of_agreement([1, 2, np.inf], [1, 2, 3])

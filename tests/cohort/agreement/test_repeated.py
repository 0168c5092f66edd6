"""Limits of agreement with repeats against the 2007 paper, single readings and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.cohort.agreement.limits import limits_of_agreement
from meniscal_measure.cohort.agreement.repeated import repeated_limits
from meniscal_measure.errors import AgreementError

# Cardiac output, l/min, of twelve persons by two methods, in pairs while it changed: Bland and
# Altman, J Biopharm Stat 2007;17:571-582, Table 1. Table and printed results were taken from the
# public tests of other libraries that quote them.
PAIRS = {
    1: [(7.83, 6.57), (7.42, 5.62), (7.89, 6.90), (7.12, 6.57), (7.88, 6.35)],
    2: [(6.16, 4.06), (7.26, 4.29), (6.71, 4.26), (6.54, 4.09)],
    3: [(4.75, 4.71), (5.24, 5.50), (4.86, 5.08), (4.78, 5.02), (6.05, 6.01), (5.42, 5.67)],
    4: [(4.21, 4.14), (3.61, 4.20), (3.72, 4.61), (3.87, 4.68), (3.92, 5.04)],
    5: [(3.13, 3.03), (2.98, 2.86), (2.85, 2.77), (3.17, 2.46), (3.09, 2.32), (3.12, 2.43)],
    6: [(5.92, 5.90), (6.42, 5.81), (5.92, 5.70), (6.27, 5.76)],
    7: [(7.13, 5.09), (6.62, 4.63), (6.58, 4.61), (6.93, 5.09)],
    8: [(4.54, 4.72), (4.81, 4.61), (5.11, 4.36), (5.29, 4.20), (5.39, 4.36), (5.57, 4.20)],
    9: [(4.48, 3.17), (4.92, 3.12), (3.97, 2.96)],
    10: [(4.22, 4.35), (4.65, 4.62), (4.74, 3.16), (4.44, 3.53), (4.50, 3.53)],
    11: [(6.78, 7.20), (6.07, 6.09), (6.52, 7.00), (6.42, 7.10), (6.41, 7.40), (5.76, 6.80)],
    12: [(5.06, 4.50), (4.72, 4.20), (4.90, 3.80), (4.80, 3.80), (4.90, 4.20), (5.10, 4.50)],
}


def test_a_varying_truth_puts_the_printed_components_of_the_2007_paper_together() -> None:
    # Printed: within persons 0.170714026, between their means 0.91269114; the paper weighs persons
    # by their pairs (SD 0.9906, bias 0.602, limits -1.34 to 2.54), Zou 2013 and we each once.
    pairs = np.array([pair for of_person in PAIRS.values() for pair in of_person])
    persons = np.repeat(list(PAIRS), list(map(len, PAIRS.values())))
    result = repeated_limits(persons, *pairs.T)
    single = np.mean([1 / len(pairs) for pairs in PAIRS.values()])
    assert result.sd.value**2 == pytest.approx(0.91269114 + (1 - single) * 0.170714026, abs=1e-7)
    assert (result.lower.value, result.upper.value) == pytest.approx((-1.34, 2.54), abs=0.18)


def test_pairs_on_a_varying_truth_split_into_within_and_between() -> None:
    # Balanced pairs: total variance = var(case means) + (1 - 1/m) within (Bland, Altman 1999).
    rng = np.random.default_rng(1)
    difference = rng.normal(0, 0.5, (20, 1)) + rng.normal(0, 0.3, (20, 4))
    result = repeated_limits(np.repeat(np.arange(20), 4), difference.ravel(), np.zeros(80))
    between = difference.mean(axis=1).var(ddof=1)
    within = difference.var(axis=1, ddof=1).mean()
    assert result.sd.value == pytest.approx((between + 0.75 * within) ** 0.5)
    assert result.bias.value == pytest.approx(difference.mean())


def test_intervals_cover_the_true_limit_as_often_as_they_say() -> None:
    rng = np.random.default_rng(8)
    trials, hits, m, n = 500, 0, 3, 20
    case = np.repeat(np.arange(n), m)
    between, within = 0.4, 0.3
    limit = 0.2 + 1.96 * (between**2 + within**2) ** 0.5
    for _ in range(trials):
        first = 0.2 + np.repeat(rng.normal(0, between, n), m) + rng.normal(0, within, n * m)
        found = repeated_limits(case, first, np.zeros(n * m)).upper
        hits += (found.low or 0) <= limit <= (found.high or 0)
    # 500 draws at 95 %: four standard errors are 3.9 %.
    assert hits / trials == pytest.approx(0.95, abs=0.039)


def test_repeats_are_not_taken_for_independent_cases() -> None:
    rng = np.random.default_rng(9)
    knee = np.repeat(rng.normal(0, 1, 8), 10)
    first = knee + rng.normal(0, 0.05, 80)
    with_repeats = repeated_limits(np.repeat(np.arange(8), 10), first, np.zeros(80))
    as_if_independent = limits_of_agreement(first, np.zeros(80))
    width = (with_repeats.bias.high or 0) - (with_repeats.bias.low or 0)
    naive = (as_if_independent.bias.high or 0) - (as_if_independent.bias.low or 0)
    assert width > 2 * naive


def test_without_repeats_the_reader_is_sent_to_the_simple_limits() -> None:
    with pytest.raises(AgreementError, match="use the limits for single readings"):
        repeated_limits(["a", "b", "c"], [1.0, 2.0, 3.0], [1.1, 2.0, 3.2])

"""Proportions and agreement on the flag against statistics libraries and by hand."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import mcnemar  # type: ignore[import-untyped]
from statsmodels.stats.proportion import proportion_confint  # type: ignore[import-untyped]

from meniscal_measure.cohort.agreement.flags import flag_agreement
from meniscal_measure.cohort.agreement.proportions import proportion
from meniscal_measure.errors import AgreementError


@pytest.mark.parametrize(("hits", "total"), [(0, 12), (7, 20), (63, 71), (30, 30)])
def test_the_interval_agrees_with_statsmodels(hits: int, total: int) -> None:
    found = proportion("share", hits, total)
    expected = proportion_confint(hits, total, method="wilson")
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)


def test_wilson_interval_of_ten_in_a_hundred() -> None:
    # Textbook value: 0.0552 to 0.1744 (quoted from memory).
    found = proportion("share", 10, 100)
    assert (found.low, found.high) == pytest.approx((0.0552, 0.1744), abs=5e-5)


def test_tears_with_minor_and_major_extrusion() -> None:
    # Costa, AJR 2004;183:17-23: tears in 59 % of 34 minor and 89 % of 71 major extrusions.
    assert round(proportion("minor", 20, 34).value, 2) == 0.59
    assert round(proportion("major", 63, 71).value, 2) == 0.89


def test_a_share_of_nothing_is_unknown() -> None:
    found = proportion("share", 0, 0)
    assert math.isnan(found.value)
    assert (found.low, found.high) == (0.0, 1.0)


def test_more_hits_than_cases_are_refused() -> None:
    with pytest.raises(AgreementError, match="5 of 4 is not a proportion"):
        proportion("share", 5, 4)


@pytest.fixture
def readers() -> tuple[list[float], list[float]]:
    """Flagged by both 20, by the first only 5, by the second only 10, by neither 15."""
    first = [1.0] * 25 + [0.0] * 25
    second = [1.0] * 20 + [0.0] * 5 + [1.0] * 10 + [0.0] * 15
    return first, second


def test_agreement_counts_by_hand(readers: tuple[list[float], list[float]]) -> None:
    result = flag_agreement(*readers)
    assert (result.both, result.only_first, result.only_second, result.neither) == (20, 5, 10, 15)
    assert result.overall.value == pytest.approx(35 / 50)
    assert result.positive.value == pytest.approx(40 / 55)
    assert result.negative.value == pytest.approx(30 / 45)
    assert result.kappa is not None
    assert result.kappa.kappa.value == pytest.approx(0.40)


def test_interval_of_agreement_on_flagged_holds_the_truth_as_often_as_it_says() -> None:
    # Of 100 knees 10 % are flagged by both and 10 % by one: agreement on flagged 2/3. Readings
    # taken as independent trials held it in 91 % only.
    rng = np.random.default_rng(62)
    held = 0
    drawn = Counter(map(tuple, rng.multinomial(100, [0.1, 0.1, 0.8], 2000).tolist()))
    for (both, split, neither), times in drawn.items():
        first = np.repeat([1, 1, 0], [both, split, neither])
        second = np.repeat([1, 0, 0], [both, split, neither])
        positive = flag_agreement(first, second).positive
        held += times * ((positive.low or 0) <= 2 / 3 <= (positive.high or 0))
    assert held / 2000 == pytest.approx(0.95, abs=0.015)


def test_uneven_flagging_agrees_with_statsmodels(
    readers: tuple[list[float], list[float]],
) -> None:
    expected = mcnemar([[20, 5], [10, 15]], exact=True).pvalue
    assert flag_agreement(*readers).equal_flagging.value == pytest.approx(expected)


@pytest.mark.parametrize("flag", [0.0, 1.0])
def test_kappa_is_left_out_where_every_reading_says_the_same(flag: float) -> None:
    result = flag_agreement([flag] * 5, [flag] * 5)
    assert result.kappa is None
    assert result.overall.value == 1
    assert result.equal_flagging.value == 1


def test_kappa_is_zero_where_only_one_reader_ever_flags() -> None:
    result = flag_agreement([1, 1, 0, 0], [0, 0, 0, 0])
    assert result.kappa is not None
    assert result.kappa.kappa.value == pytest.approx(0)


def test_missing_flags_are_counted() -> None:
    cases = flag_agreement([1, 0, np.nan], [1, 1, 0]).cases
    assert (cases.used, cases.left_out) == (2, 1)


def test_a_flag_that_is_neither_yes_nor_no_is_refused() -> None:
    with pytest.raises(AgreementError, match=r"1 \(yes\) or 0 \(no\)"):
        flag_agreement([1, 2], [1, 0])

"""Whether a change between two examinations is beyond error, by two rules that may disagree."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from meniscal_measure.caliper.detectable_change import Change, smallest_detectable_change
from meniscal_measure.caliper.uncertainty import coverage_factor

NOT_SETTLED = "not settled: of the two rules for a change beyond error only one is met"
WITHIN = "within the error of measurement"


@pytest.mark.parametrize(
    ("value", "u", "detectable", "verdict"),
    [
        (1.4, 0.4, 0.81, "more than before"),
        (-1.4, 0.4, 0.81, "less than before"),
        (0.9, 0.4, 0.81, "more than before"),
        (-0.9, 0.4, 0.81, "less than before"),
        (0.5, 0.4, 0.81, WITHIN),
        (-0.5, 0.4, 0.81, WITHIN),
        (1.0, 0.6, 0.81, NOT_SETTLED),  # larger than detectable, but 0 lies in its interval
        (-1.0, 0.6, 0.81, NOT_SETTLED),
        (0.5, 0.2, 0.81, NOT_SETTLED),  # its interval leaves out 0, but it is too small
        (-0.5, 0.2, 0.81, NOT_SETTLED),
        (0.0, 0.2, 0.81, WITHIN),
    ],
)
def test_a_change_is_one_only_where_both_rules_say_so(
    value: float, u: float, detectable: float, verdict: str
) -> None:
    assert Change(value, u, detectable).verdict == verdict


def test_a_change_of_exactly_the_detectable_one_does_not_exceed_it() -> None:
    assert not Change(0.81, 0.1, 0.81).exceeds_detectable
    assert Change(-0.82, 0.1, 0.81).exceeds_detectable


@pytest.mark.parametrize("sign", [1, -1])
def test_an_interval_that_ends_at_zero_does_not_leave_it_out(sign: int) -> None:
    change = Change(sign * coverage_factor(math.inf) * 0.4, 0.4, 0.81)
    assert 0.0 in change.interval95
    assert not change.exceeds_uncertainty


def test_the_interval_holds_95_percent_of_a_normal_distribution() -> None:
    low, high = Change(-1.4, 0.4, 0.81).interval95
    assert norm.cdf(high, -1.4, 0.4) - norm.cdf(low, -1.4, 0.4) == pytest.approx(0.95, abs=1e-6)
    assert (low + high) / 2 == pytest.approx(-1.4)


def test_the_detectable_change_is_that_of_the_difference_of_two_readings() -> None:
    """Source: Weir 2005, 1.96 x sqrt(2) x SEM, from memory."""
    assert smallest_detectable_change(0.29) == pytest.approx(1.96 * math.sqrt(2) * 0.29)

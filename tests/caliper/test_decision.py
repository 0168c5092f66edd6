"""The threshold: exactly 3 mm, the guard band, and the risk of a wrong decision."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.caliper.decision import (
    TIE_TOLERANCE_MM,
    decide,
    flag,
    is_above,
    is_at_or_above,
    probability_above,
)
from meniscal_measure.caliper.grades import grade
from meniscal_measure.caliper.reading import Conventions, Decision, ThresholdRule

ABOVE = Conventions(threshold_rule=ThresholdRule.ABOVE)
AT_OR_ABOVE = Conventions(threshold_rule=ThresholdRule.AT_OR_ABOVE)


@pytest.mark.parametrize("value_mm", [3.0, 2.9999999996, 3.0000000001, 0.1 * 30])
def test_exactly_the_threshold_is_decided_by_the_named_rule(value_mm: float) -> None:
    assert not flag(value_mm, ABOVE)
    assert flag(value_mm, AT_OR_ABOVE)


@pytest.mark.parametrize("conventions", [ABOVE, AT_OR_ABOVE])
def test_away_from_the_threshold_both_rules_agree(conventions: Conventions) -> None:
    assert flag(3.0 + 2 * TIE_TOLERANCE_MM, conventions)
    assert not flag(3.0 - 2 * TIE_TOLERANCE_MM, conventions)


def test_a_millionth_of_a_millimetre_makes_no_difference_and_a_little_more_does() -> None:
    assert [flag(3.0 + 0.9e-6, ABOVE), flag(3.0 + 1.1e-6, ABOVE)] == [False, True]
    assert [flag(3.0 - 1.1e-6, AT_OR_ABOVE), flag(3.0 - 0.9e-6, AT_OR_ABOVE)] == [False, True]


def test_a_value_at_the_very_end_of_the_tolerance_is_still_on_the_cut() -> None:
    assert not is_above(3.0 + TIE_TOLERANCE_MM, 3.0)
    assert is_at_or_above(3.0 - TIE_TOLERANCE_MM, 3.0)


def test_a_probability_of_exactly_95_per_cent_decides() -> None:
    assert [decide(0.95), decide(0.9499)] == [Decision.ABOVE, Decision.UNDECIDED]
    assert [decide(1 - 0.95), decide(0.0501)] == [Decision.NOT_ABOVE, Decision.UNDECIDED]


def test_value_is_compared_unrounded() -> None:
    assert flag(3.01, ABOVE)
    assert not flag(2.96, AT_OR_ABOVE)


def test_other_thresholds_can_be_named() -> None:
    assert not flag(3.5, Conventions(threshold_mm=4.0))


@pytest.mark.parametrize(
    ("guard_band_in_u", "risk"),
    # Specific risk at the acceptance limit for a normal distribution, one-sided, JCGM 106:2012;
    # the values are those of the normal distribution.
    [(0.0, 0.5), (1.0, 0.1587), (1.645, 0.05), (2.0, 0.0228)],
)
def test_specific_risk_at_the_guard_band(guard_band_in_u: float, risk: float) -> None:
    u_mm = 0.25
    reading_mm = 3.0 - guard_band_in_u * u_mm
    assert probability_above(reading_mm, u_mm, 3.0) == pytest.approx(risk, abs=5e-5)


@pytest.mark.parametrize(
    ("value_mm", "expected"),
    [
        (2.58, Decision.NOT_ABOVE),
        (2.60, Decision.UNDECIDED),
        (3.40, Decision.UNDECIDED),
        (3.42, Decision.ABOVE),
    ],
)
def test_guard_band_of_a_quarter_millimetre_uncertainty(
    value_mm: float, expected: Decision
) -> None:
    # u = 0.25 mm: guard band 1.645 u = 0.41 mm on both sides of 3 mm.
    assert decide(probability_above(value_mm, 0.25, 3.0)) is expected


def test_without_uncertainty_the_probability_is_certain() -> None:
    assert probability_above(3.1, 0.0, 3.0) == 1.0
    assert probability_above(3.0, 0.0, 3.0) == 0.0


@given(value_mm=st.floats(-5, 15), u_mm=st.floats(0.01, 2))
def test_a_decision_never_contradicts_the_plain_rule(value_mm: float, u_mm: float) -> None:
    decision = decide(probability_above(value_mm, u_mm, 3.0))
    if decision is not Decision.UNDECIDED:
        assert flag(value_mm, ABOVE) is (decision is Decision.ABOVE)


@pytest.mark.parametrize(
    ("extrusion_mm", "expected"),
    # Cut points of MOAKS (Hunter 2011, quoted from memory), printed gaps closed.
    [(-1.0, 0), (1.999, 0), (2.0, 1), (2.95, 1), (3.0, 2), (4.95, 2), (5.0, 3), (12.0, 3)],
)
def test_grades_have_no_gaps(extrusion_mm: float, expected: int) -> None:
    assert grade(extrusion_mm) == expected


def test_grade_cuts_forgive_rounding_noise() -> None:
    assert grade(2.9999999996) == 2

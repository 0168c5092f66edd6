"""Sample sizes against statsmodels and against the width they promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.power import TTestPower  # type: ignore[import-untyped]

from meniscal_measure.cohort.agreement.planning import knees_for_change, knees_for_icc
from meniscal_measure.cohort.agreement.reliability import IccForm, intraclass_correlations
from meniscal_measure.errors import UsageError
from tests.cohort.agreement.rating_tables import ratings_from_table


@pytest.mark.parametrize(("change", "sd"), [(0.5, 1.0), (0.3, 0.6), (1.1, 1.3), (0.1, 1.0)])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_knees_for_a_change_agree_with_statsmodels(change: float, sd: float, power: float) -> None:
    expected = TTestPower().solve_power(change / sd, alpha=0.05, power=power)
    assert knees_for_change(change, sd, power=power).value == math.ceil(expected)


def test_a_huge_change_needs_two_knees() -> None:
    assert knees_for_change(100, 0.1).value == 2


@pytest.mark.parametrize(("expected", "width", "readers"), [(0.8, 0.2, 3), (0.9, 0.1, 2)])
def test_the_promised_width_is_met_on_average(expected: float, width: float, readers: int) -> None:
    knees = int(knees_for_icc(expected, width, readers=readers).value)
    rng = np.random.default_rng(50)
    widths = []
    for _ in range(200):
        case = rng.normal(0, math.sqrt(expected), (knees, 1))
        values = case + rng.normal(0, math.sqrt(1 - expected), (knees, readers))
        found = intraclass_correlations(ratings_from_table(values)).forms[IccForm.ONE_WAY]
        widths.append((found.high or 0) - (found.low or 0))
    assert np.mean(widths) == pytest.approx(width, rel=0.08)


@pytest.mark.parametrize(
    ("expected", "width", "readers"), [(1.0, 0.1, 2), (0.9, 0, 2), (0.9, 0.1, 1)]
)
def test_an_impossible_icc_plan_is_refused(expected: float, width: float, readers: int) -> None:
    with pytest.raises(UsageError, match="two or more readers"):
        knees_for_icc(expected, width, readers=readers)


def test_an_impossible_change_plan_is_refused() -> None:
    with pytest.raises(UsageError, match="other than zero"):
        knees_for_change(0, 1)
    with pytest.raises(UsageError, match="look for more change"):
        knees_for_change(1e-6, 1)

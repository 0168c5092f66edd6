"""Intraclass correlations against the paper that defined them, and as laws."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from statsmodels.formula.api import mixedlm, ols  # type: ignore[import-untyped]
from statsmodels.stats.anova import anova_lm  # type: ignore[import-untyped]

from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.ratings import Ratings, ratings_from_rows
from meniscal_measure.cohort.agreement.reliability import (
    IccForm,
    intraclass_correlations,
    mean_squares,
)
from meniscal_measure.errors import AgreementError
from tests.cohort.agreement.rating_tables import ratings_from_table

# Shrout and Fleiss 1979, Table 4 (printed to two decimals, quoted from memory).
PRINTED = {
    IccForm.ONE_WAY: 0.17,
    IccForm.TWO_WAY_RANDOM: 0.29,
    IccForm.TWO_WAY_MIXED: 0.71,
    IccForm.ONE_WAY_AVERAGE: 0.44,
    IccForm.TWO_WAY_RANDOM_AVERAGE: 0.62,
    IccForm.TWO_WAY_MIXED_AVERAGE: 0.91,
}

# The same data through an independent computation of the published interval formulas.
INTERVALS = {
    IccForm.ONE_WAY: (-0.1329, 0.7226),
    IccForm.TWO_WAY_RANDOM: (0.0188, 0.7611),
    IccForm.TWO_WAY_MIXED: (0.3425, 0.9459),
}


@pytest.mark.parametrize("form", list(IccForm))
def test_the_six_printed_correlations(judges: FloatArray, form: IccForm) -> None:
    found = intraclass_correlations(ratings_from_table(judges)).forms[form]
    assert round(found.value, 2) == PRINTED[form]


@pytest.mark.parametrize("form", list(INTERVALS))
def test_intervals_of_single_readings(judges: FloatArray, form: IccForm) -> None:
    found = intraclass_correlations(ratings_from_table(judges)).forms[form]
    assert (found.low, found.high) == pytest.approx(INTERVALS[form], abs=5e-5)


def test_mean_squares_of_the_paper(judges: FloatArray) -> None:
    # Shrout and Fleiss 1979, Table 3: BMS 11.24, WMS 6.26, JMS 32.49, EMS 1.02.
    table = mean_squares(judges)
    found = (table.between_cases, table.within_cases, table.between_readers, table.residual)
    assert tuple(round(value, 2) for value in found) == (11.24, 6.26, 32.49, 1.02)


def test_mean_squares_agree_with_statsmodels_on_random_readings() -> None:
    rng = np.random.default_rng(20)
    values = rng.normal(3, 1, (30, 1)) + rng.normal(0, 0.4, (30, 4)) + [0.0, 0.1, -0.2, 0.3]
    case, reader = np.indices(values.shape)
    data = pd.DataFrame({"y": values.ravel(), "case": case.ravel(), "reader": reader.ravel()})
    anova = anova_lm(ols("y ~ C(case) + C(reader)", data).fit())
    table = mean_squares(values)
    expected = (anova["sum_sq"] / anova["df"]).tolist()
    assert [table.between_cases, table.between_readers, table.residual] == pytest.approx(expected)


def test_correlation_of_random_readers_is_that_of_variance_components_by_reml() -> None:
    # ICC(2,1) is the variance between cases over all variance. statsmodels estimates the crossed
    # components by restricted maximum likelihood; of a balanced table both are the same.
    rng = np.random.default_rng(5)
    offsets = np.array([0, 0.3, -0.2])
    readings = rng.normal(3, 1.1, (37, 1)) + offsets + rng.normal(0, 0.35, (37, 3))
    case, reader = (index.ravel() for index in np.indices(readings.shape))
    frame = pd.DataFrame({"y": readings.ravel(), "case": case, "reader": reader, "all": 1})
    parts = {"case": "0 + C(case)", "reader": "0 + C(reader)"}
    model = mixedlm("y ~ 1", frame, groups="all", re_formula="0", vc_formula=parts)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # one group of all rows has no random level of its own
        fit = model.fit(reml=True)
    between_cases, between_readers = fit.vcomp
    expected = between_cases / (between_cases + between_readers + fit.scale)
    found = intraclass_correlations(ratings_from_table(readings))
    assert found.forms[IccForm.TWO_WAY_RANDOM].value == pytest.approx(expected, abs=1e-5)


def test_a_constant_offset_of_one_reader_costs_agreement_but_not_consistency() -> None:
    truth = np.linspace(0, 5, 12)
    result = intraclass_correlations(ratings_from_table(np.column_stack([truth, truth + 1])))
    assert result.forms[IccForm.TWO_WAY_MIXED].value == pytest.approx(1)
    assert result.forms[IccForm.TWO_WAY_RANDOM].value < 0.9


def test_perfect_agreement_is_one_with_no_width() -> None:
    truth = np.array([1.0, 2.0, 4.0])
    for estimate in intraclass_correlations(
        ratings_from_table(np.column_stack([truth, truth]))
    ).forms.values():
        assert (estimate.low, estimate.value, estimate.high) == pytest.approx((1, 1, 1))


@given(
    arrays.arrays(np.float64, (8, 3), elements=st.floats(0, 10)).filter(lambda t: t.std() > 1e-3),
    st.floats(0.1, 10),
    st.floats(-20, 20),
)
def test_correlations_do_not_depend_on_unit_or_zero(
    table: FloatArray, scale: float, shift: float
) -> None:
    before = intraclass_correlations(ratings_from_table(table))
    after = intraclass_correlations(ratings_from_table(scale * table + shift))
    form = IccForm.TWO_WAY_MIXED
    assert after.forms[form].value == pytest.approx(before.forms[form].value, abs=1e-5)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    # ICC(2,1) with variances 1 (cases), 0.05 (readers), 0.2 (error): truth 1 / 1.25 = 0.8.
    rng = np.random.default_rng(11)
    trials, hits = 400, 0
    for _ in range(trials):
        values = rng.normal(0, 1, (25, 1)) + rng.normal(0, 0.05**0.5, (1, 5))
        values = values + rng.normal(0, 0.2**0.5, (25, 5))
        found = intraclass_correlations(ratings_from_table(values)).forms[IccForm.TWO_WAY_RANDOM]
        hits += (found.low or 0) <= 0.8 <= (found.high or 0)
    # 400 draws at 95 %: four standard errors are 4.4 %.
    assert 0.906 <= hits / trials <= 0.994


def test_cases_with_a_missing_reading_are_left_out_and_said(judges: FloatArray) -> None:
    holes = np.vstack([judges, [5, np.nan, 4, 4]])
    result = intraclass_correlations(ratings_from_table(holes))
    assert round(result.forms[IccForm.TWO_WAY_RANDOM].value, 2) == 0.29
    assert result.cases.sentence == (
        "6 of 7 cases were analysed; 1 had a missing value and was left out."
    )


def test_rows_in_any_order_give_the_same_table(judges: FloatArray) -> None:
    case, reader = (index.ravel() for index in np.indices(judges.shape))
    shuffled = np.random.default_rng(5).permutation(case.size)
    rows = ratings_from_rows(case[shuffled], reader[shuffled], judges.ravel()[shuffled])
    assert np.array_equal(rows.values, judges)


def test_a_reader_with_two_values_for_a_case_is_refused() -> None:
    with pytest.raises(AgreementError, match=r"Reader B has 2 values for case 1 \(1 such cells"):
        ratings_from_rows(["1", "1", "1"], ["A", "B", "B"], [1.0, 2.0, 3.0])


def test_equal_readings_are_refused() -> None:
    with pytest.raises(AgreementError, match="All readings are equal"):
        mean_squares(np.full((4, 2), 3.0))


def test_one_reader_is_refused() -> None:
    with pytest.raises(AgreementError, match="two readers"):
        mean_squares(np.array([[1.0], [2.0]]))


def test_too_few_complete_cases_are_refused() -> None:
    with pytest.raises(AgreementError, match="at least 2 complete cases and has 1"):
        intraclass_correlations(ratings_from_table([[1.0, 2.0], [3.0, np.nan]]))


def test_labels_must_fit_the_table() -> None:
    with pytest.raises(AgreementError, match="they must agree"):
        Ratings(np.zeros((2, 2)), np.array(["a"]), np.array(["x", "y"]))

"""The mixed model against a general statistics library, and as laws."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from statsmodels.formula.api import mixedlm  # type: ignore[import-untyped]

from meniscal_measure.cohort.agreement.design import Design, Factor, design
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.mixed import mixed_model
from meniscal_measure.errors import AgreementError

Labels = NDArray[np.intp]


def test_readings_that_do_not_scatter_are_no_model() -> None:
    """As copies of one reading would be."""
    visit = np.array([0, 1, 0, 1, 0, 1])
    columns = design([factor("visit", visit)], {})
    with pytest.raises(AgreementError, match="do not vary beyond their effects"):
        mixed_model(5.2 + 0.3 * visit, columns, {"subject": np.repeat(np.arange(3), 2)})


def test_readers_who_differ_by_the_same_everywhere_leave_no_scatter() -> None:
    subject, reader = np.repeat(np.arange(8), 2), np.tile([0, 1], 8)
    columns = design([factor("reader", reader)], {})
    with pytest.raises(AgreementError, match="do not vary beyond their effects"):
        mixed_model(5.2 + 0.31 * subject + 0.3 * reader, columns, {"subject": subject})


def factor(name: str, labels: ArrayLike) -> Factor:
    texts = [str(label) for label in np.asarray(labels).tolist()]
    return Factor(name, tuple(texts), tuple(sorted(set(texts))))


class Study:
    """Two knees of each subject at two visits, read by two readers; subjects in two groups."""

    def __init__(self, subjects: int, seed: int, interaction_mm: float = 0.385) -> None:
        shape = (subjects, 2, 2, 2)
        index = [axis.ravel() for axis in np.indices(shape)]
        self.subject, self.side, self.visit, self.reader = index
        self.group = self.subject % 2
        rng = np.random.default_rng(seed)
        self.y: FloatArray = (
            2 + 0.9 * self.group + 0.2 * self.visit + interaction_mm * self.group * self.visit
            + rng.normal(0, 0.7, subjects)[self.subject]
            + rng.normal(0, 0.4, shape[:2])[self.subject, self.side]
            + rng.normal(0, 0.25, shape[:3])[self.subject, self.side, self.visit]
            + rng.normal(0, 0.2, self.subject.size)
        )  # fmt: skip

    @property
    def design(self) -> Design:
        factors = [factor("group", self.group), factor("visit", self.visit),
                   factor("reader", self.reader)]  # fmt: skip
        return design(factors, {}, together=[("group", "visit")])

    @property
    def levels(self) -> dict[str, ArrayLike]:
        return {"subject": self.subject, "knee": self.side, "examination": self.visit}

    def by_statsmodels(self) -> Any:
        frame = pd.DataFrame(
            {
                "y": self.y, "subject": self.subject, "group": self.group, "visit": self.visit,
                "reader": self.reader, "knee": 2 * self.subject + self.side,
                "examination": 4 * self.subject + 2 * self.side + self.visit,
            }
        )  # fmt: skip
        parts = {"knee": "0 + C(knee)", "examination": "0 + C(examination)"}
        return mixedlm(
            "y ~ group * visit + reader", frame, groups="subject", re_formula="1", vc_formula=parts
        ).fit(reml=True)


@pytest.mark.parametrize("seed", [3, 4])
def test_effects_errors_spreads_and_residuals_agree_with_statsmodels(seed: int) -> None:
    study = Study(30, seed)
    found = mixed_model(study.y, study.design, study.levels)
    fit = study.by_statsmodels()
    theirs = ["Intercept", "group", "visit", "reader", "group:visit"]
    ours = found.effects
    assert [e.estimate.value for e in ours] == pytest.approx(fit.fe_params[theirs], abs=1e-6)
    assert [e.se for e in ours] == pytest.approx(fit.bse_fe[theirs], rel=1e-3)
    examination, knee = fit.vcomp  # sorted by name
    expected = np.sqrt([fit.cov_re.iloc[0, 0], knee, examination, fit.scale])
    assert [one.value for one in found.fit.spreads] == pytest.approx(expected, rel=2e-3)
    assert found.residuals == pytest.approx(np.asarray(fit.resid), abs=1e-3)


def test_the_known_interaction_is_found() -> None:
    study = Study(120, 5)
    found = mixed_model(study.y, study.design, study.levels)
    (place,) = found.design.columns_with("group", "visit")
    effect = found.effects[place]
    assert effect.estimate.name == "group 1 × visit 1"
    assert abs(effect.estimate.value - 0.385) < 3.5 * effect.se
    assert effect.p < 1e-4
    assert found.joint_p((place,)) == pytest.approx(effect.p)


def test_the_interval_of_the_interaction_holds_it_as_often_as_it_says() -> None:
    trials, held = 100, 0
    for seed in range(trials):
        study = Study(12, 1000 + seed)
        found = mixed_model(study.y, study.design, study.levels)
        (place,) = found.design.columns_with("group", "visit")
        line = found.effects[place].estimate
        assert line.low is not None
        assert line.high is not None
        held += line.low <= 0.385 <= line.high
    # 100 draws at 95 %: four standard errors are 8.7 %.
    assert held / trials == pytest.approx(0.95, abs=0.087)


def test_p_of_no_interaction_agrees_with_permuted_groups() -> None:
    # Groups drawn again among subjects: how often is the difference of changes as large?
    study = Study(24, 6, interaction_mm=0.25)
    found = mixed_model(study.y, study.design, study.levels)
    (place,) = found.design.columns_with("group", "visit")
    sign = np.where(study.visit == 1, 1.0, -1.0)
    change = np.bincount(study.subject, sign * study.y) / 4
    tear = np.arange(24) % 2 == 1
    seen = change[tear].mean() - change[~tear].mean()
    assert found.effects[place].estimate.value == pytest.approx(seen, abs=1e-6)
    chance = np.random.default_rng(7)
    draws = np.array([chance.permutation(tear) for _ in range(20_000)])
    means = draws @ change / 12 - ~draws @ change / 12
    permuted = float((np.abs(means) >= abs(seen) - 1e-12).mean())
    assert found.effects[place].p == pytest.approx(permuted, abs=0.02)


def test_a_balanced_comparison_of_visits_is_the_paired_t_test() -> None:
    rng = np.random.default_rng(72)
    first = rng.normal(3, 1, 40)
    second = first + rng.normal(0.4, 0.3, 40)
    visits = np.repeat([0, 1], 40)
    found = mixed_model(
        np.concatenate([first, second]),
        design([factor("visit", visits)], {}),
        {"subject": np.tile(np.arange(40), 2)},
    )
    visit, expected = found.effects[1], stats.ttest_rel(second, first)
    assert (visit.estimate.value, visit.df) == pytest.approx(
        ((second - first).mean(), 39), rel=1e-3
    )
    assert visit.p == pytest.approx(expected.pvalue, rel=1e-3)


def test_without_random_levels_it_is_ordinary_least_squares() -> None:
    rng = np.random.default_rng(73)
    age = rng.uniform(40, 70, 30)
    y = 1 + 0.05 * age + rng.normal(0, 0.5, 30)
    found, line = mixed_model(y, design([], {"age": age}), {}).effects[1], stats.linregress(age, y)
    assert (found.estimate.value, found.se) == pytest.approx((line.slope, line.stderr))
    assert (found.df, found.p) == pytest.approx((28, line.pvalue), rel=1e-3)
    assert found.estimate.name == "age, per unit"


def test_intervals_of_spreads_hold_the_truth_as_often_as_they_say() -> None:
    trials, held = 60, np.zeros(4)
    truth = np.array([0.7, 0.4, 0.25, 0.2])
    for seed in range(trials):
        study = Study(40, 5000 + seed)
        spreads = mixed_model(study.y, study.design, study.levels).fit.spreads
        held += [
            (line.low or math.nan) <= sd <= (line.high or math.nan)
            for line, sd in zip(spreads, truth, strict=True)
        ]
    assert held / trials == pytest.approx(0.95, abs=0.11)


def test_a_level_without_variance_is_zero_and_remarked_on() -> None:
    rng = np.random.default_rng(74)
    subject, visits = np.repeat(np.arange(20), 4), np.tile([0, 0, 1, 1], 20)
    noise = rng.normal(2, 0.2, (20, 4))
    y = (noise - noise.mean(axis=1, keepdims=True)).ravel()  # subjects do not differ at all
    found = mixed_model(y, design([factor("visit", visits)], {}), {"subject": subject})
    assert (found.fit.spreads[0].value, found.fit.spreads[0].low) == (0.0, None)
    assert found.fit.remarks[0].startswith("The readings show no variance between subjects")


def test_readings_with_a_missing_value_or_covariate_are_counted() -> None:
    study = Study(10, 8)
    y, age = study.y.copy(), np.repeat(np.linspace(40, 60, 10), 8)
    y[3], age[72:] = np.nan, np.nan
    found = mixed_model(
        y, design([factor("visit", study.visit)], {"age": age}), {"subject": study.subject}
    )
    assert found.cases.sentence.startswith("71 of 80 readings were analysed")
    assert np.isnan(found.residuals).sum() == 9


def test_effects_that_cannot_be_told_apart_are_refused() -> None:
    labels = np.tile([0, 1], 6)
    columns = design([factor("group", labels), factor("reader", labels)], {})
    with pytest.raises(AgreementError, match=r"group: 1 against 0, reader: 1 against 0 cannot be"):
        mixed_model(np.arange(12.0), columns, {"subject": np.repeat(np.arange(6), 2)})


def test_the_cost_grows_with_the_rows_and_not_with_their_square() -> None:
    # 16,000 readings; a library with dense groups is asked for 200 here and slows from there.
    study = Study(2000, 9)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = mixed_model(study.y, study.design, study.levels)
    assert [line.value for line in found.fit.spreads] == pytest.approx(
        [0.7, 0.4, 0.25, 0.2], rel=0.08
    )

"""Intervals that respect subjects: against published values, libraries, definitions, simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from statsmodels.stats.inter_rater import (  # type: ignore[import-untyped]
    cohens_kappa,
)
from statsmodels.stats.inter_rater import (
    fleiss_kappa as fleiss_by_statsmodels,
)

from meniscal_measure.cohort.agreement.chance_corrected import fleiss_kappa, gwet_ac1
from meniscal_measure.cohort.agreement.change_by_group import holm
from meniscal_measure.cohort.agreement.clusters import effective_size, jackknife, linearised_error
from meniscal_measure.cohort.agreement.cut_off import best_cut_off
from meniscal_measure.cohort.agreement.diagnostic import accuracy, roc_curve
from meniscal_measure.cohort.agreement.estimates import Estimate, FloatArray
from meniscal_measure.cohort.agreement.flags import flag_agreement
from meniscal_measure.cohort.agreement.kappa import Weights, weighted_kappa
from meniscal_measure.cohort.agreement.limits import proportional_bias
from meniscal_measure.cohort.agreement.reliability import IccForm, intraclass_correlations
from meniscal_measure.cohort.agreement.repeatability import measurement_error
from tests.cohort.agreement.rating_tables import ratings_from_table

NO = np.nan

# Twelve units graded 1 to 5 by four raters, some missing: Gwet KL, Handbook of Inter-Rater
# Reliability (table of four raters; units, AC1 0.77544 and Fleiss' kappa 0.76117 with standard
# errors 0.14295 and 0.15302 quoted from memory).
GWET = np.array(
    [
        [1, 1, NO, 1], [2, 2, 3, 2], [3, 3, 3, 3], [3, 3, 3, 3], [2, 2, 2, 2], [1, 2, 3, 4],
        [4, 4, 4, 4], [1, 1, 2, 1], [2, 2, 2, 2], [NO, 5, 5, 5], [NO, NO, 1, 1], [NO, NO, 3, NO],
    ]
) - 1  # fmt: skip


def half_width(line: Estimate) -> float:
    assert line.low is not None
    return line.value - line.low


def holds(line: Estimate, truth: float) -> bool:
    assert line.low is not None
    assert line.high is not None
    return line.low <= truth <= line.high


@pytest.mark.parametrize(
    ("found", "value", "error"),
    [
        (gwet_ac1(GWET, grades=5), 0.77544, 0.14295),
        (fleiss_kappa(GWET, grades=5), 0.76117, 0.15302),
    ],
)
def test_several_raters_with_missing_grades(found: Estimate, value: float, error: float) -> None:
    assert found.value == pytest.approx(value, abs=1e-5)
    assert half_width(found) == pytest.approx(2.200985 * error, abs=2e-5)  # t, 11 degrees


def test_kappa_of_several_raters_agrees_with_statsmodels() -> None:
    # Fleiss, Psychol Bull 1971;76:378-382: 30 patients, six raters; here drawn at random.
    grades = np.random.default_rng(80).integers(0, 4, (50, 6))
    table = np.stack([(grades == g).sum(axis=1) for g in range(4)], axis=1)
    expected = fleiss_by_statsmodels(table, method="fleiss")
    assert fleiss_kappa(grades, grades=4).value == pytest.approx(expected)


def test_a_rare_flag_lowers_kappa_and_not_ac1() -> None:
    # Feinstein and Cicchetti, J Clin Epidemiol 1990;43:543-549: agreement .85 in both tables, kappa
    # .70 where both kinds are frequent and .32 where one is rare.
    for table, kappa in (([[40, 9], [6, 45]], 0.70), ([[80, 10], [5, 5]], 0.32)):
        first = np.repeat([0, 0, 1, 1], np.ravel(table))
        second = np.repeat([0, 1, 0, 1], np.ravel(table))
        found = flag_agreement(first, second)
        assert found.overall.value == pytest.approx(0.85)
        assert found.kappa is not None
        assert round(found.kappa.kappa.value, 2) == kappa
    assert round(found.ac1.value, 2) == 0.81


def test_holm_agrees_with_statsmodels() -> None:
    p = [0.001, 0.2, 0.04, 0.03, 0.5]
    expected = sm.stats.multipletests(p, method="holm")[1]
    assert holm(p) == pytest.approx(expected)
    assert np.isnan(holm([0.02, NO])[1])
    assert holm([0.02, NO])[0] == 0.02


def test_the_error_of_a_clustered_mean_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(81)
    codes = rng.integers(0, 30, 100)
    codes = np.unique(codes, return_inverse=True)[1]
    y = rng.normal(0, 1, 30)[codes] + rng.normal(0, 0.5, 100)
    m = int(codes.max()) + 1
    fit = sm.OLS(y, np.ones(100)).fit(
        cov_type="cluster", cov_kwds={"groups": codes, "use_correction": False}
    )
    found = linearised_error(y, codes)
    assert found.se == pytest.approx(fit.bse[0] * (m / (m - 1)) ** 0.5)
    errors, df = jackknife(
        np.column_stack([np.ones(100), y]), lambda sums: sums[1:] / sums[0], codes
    )
    assert (errors[0], df) == pytest.approx((found.se, m - 1), rel=0.05)


def test_a_case_seen_twice_counts_once() -> None:
    # Both knees of a subject alike: as many independent cases as there are subjects.
    hits = np.repeat([1.0, 0, 0, 1, 1, 0, 0, 0], 2)
    codes = np.repeat(np.arange(8), 2)
    assert effective_size(hits, codes) == pytest.approx(8, rel=0.15)
    assert effective_size(np.ones(16), codes) == 8
    assert effective_size(hits, np.arange(16)) == 16


def test_copies_of_each_case_do_not_narrow_any_interval() -> None:
    """Every case twice, as of one subject: nothing is learnt, and no interval may get narrower."""
    rng = np.random.default_rng(82)
    truth = rng.normal(3, 1, 40)
    one, two = truth + rng.normal(0, 0.3, 40), truth + 0.1 + rng.normal(0, 0.3, 40)
    ill = (truth + rng.normal(0, 1, 40) > 3).astype(float)
    subjects = np.tile(np.arange(40), 2)

    def lines(a: FloatArray, b: FloatArray, c: FloatArray, owners: object) -> dict[str, Estimate]:
        table = np.column_stack([a, b])
        who = None if owners is None else subjects
        found = [
            *intraclass_correlations(ratings_from_table(table, subjects=who)).forms.values(),
            measurement_error(ratings_from_table(table, subjects=who)).sem_agreement,
            weighted_kappa(np.clip(a.round(), 0, 5), np.clip(b.round(), 0, 5), grades=6,
                           subjects=who).kappa,
            *flag_agreement(a > 3, b > 3, subjects=who).estimates[:3],
            *accuracy(a > 3, c, subjects=who).estimates,
            roc_curve(a, c, subjects=who).area,
            proportional_bias(a, b, subjects=who).slope,
        ]  # fmt: skip
        return {line.name: line for line in found}

    once = lines(one, two, ill, None)
    twice = lines(np.tile(one, 2), np.tile(two, 2), np.tile(ill, 2), subjects)
    for name, line in once.items():
        assert twice[name].value == pytest.approx(line.value, rel=0.03), name
        assert half_width(twice[name]) > 0.85 * half_width(line), name


def test_single_cases_give_the_published_intervals() -> None:
    rng = np.random.default_rng(83)
    a, ill = rng.normal(3, 1, 30), np.tile([0, 1], 15)
    alone = np.arange(30)
    assert roc_curve(a, ill, subjects=alone).area == roc_curve(a, ill).area
    table = np.column_stack([a, a + rng.normal(0, 0.2, 30)])
    forms = intraclass_correlations(ratings_from_table(table, subjects=alone)).forms
    assert forms == intraclass_correlations(ratings_from_table(table)).forms
    grades = np.clip(table.round(), 0, 5)
    kappa = weighted_kappa(*grades.T, grades=6, weights=Weights.LINEAR, subjects=alone)
    theirs = cohens_kappa(kappa.table, wt="linear")
    assert (kappa.kappa.low, kappa.kappa.high) == pytest.approx(
        (theirs.kappa_low, theirs.kappa_upp)
    )


def test_error_of_the_clustered_area_against_its_definition() -> None:
    # Obuchowski, Biometrics 1997;53:567-578, equations written out over all pairs.
    rng = np.random.default_rng(84)
    subject = np.repeat(np.arange(30), 3)
    ill = (rng.random(90) < 0.4).astype(int)
    y = np.round(ill + rng.normal(0, 1, 30)[subject] + rng.normal(0, 1, 90), 1)
    x, z = y[ill == 1], y[ill == 0]
    psi = (x[:, None] > z) + 0.5 * (x[:, None] == z)
    area, m, n = psi.mean(), x.size, z.size
    ten, one = np.zeros(30), np.zeros(30)
    for i, s in enumerate(subject[ill == 1]):
        ten[s] += psi[i].mean() - area
    for i, s in enumerate(subject[ill == 0]):
        one[s] += psi[:, i].mean() - area
    having, lacking = (len(set(subject[ill == kind].tolist())) for kind in (1, 0))
    s10 = having / ((having - 1) * m) * (ten**2).sum()
    s01 = lacking / ((lacking - 1) * n) * (one**2).sum()
    s11 = 30 / 29 * (ten * one).sum()
    variance = s10 / m + s01 / n + 2 * s11 / (m * n)
    found = roc_curve(y, ill, subjects=subject).area
    assert "Obuchowski" in found.source
    assert half_width(found) == pytest.approx(1.959964 * variance**0.5)


def test_clustered_intervals_hold_the_truth_as_often_as_they_say() -> None:
    # Forty subjects with four cases each that hang together: area, sensitivity, kappa, ICC.
    rng = np.random.default_rng(85)
    trials, held, naive = 300, np.zeros(4), np.zeros(4)
    subject = np.repeat(np.arange(40), 4)

    def draw(subjects: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        # Owners differ in level, and in how well their images can be read.
        level = np.repeat(rng.normal(0, 1, subjects), 4)
        ill = (level + rng.normal(0, 0.5, level.size) > 0).astype(float)
        truth = 3 + 0.6 * level + 0.8 * ill + rng.normal(0, 0.4, level.size)
        scale = np.sqrt(np.repeat(rng.gamma(2, 0.5, subjects), 4))
        one, two = truth + 0.5 * scale * rng.normal(0, 1, (2, level.size))
        return ill, one, two

    def lines(ill: FloatArray, a: FloatArray, b: FloatArray, who: object) -> list[Estimate]:
        owners = subject if who is not None else None
        kappa = flag_agreement(a > 3, b > 3, subjects=owners).kappa
        assert kappa is not None
        table = ratings_from_table(np.column_stack([a, b]), subjects=owners)
        return [
            roc_curve(a, ill, subjects=owners).area,
            accuracy(a > 3, ill, subjects=owners).sensitivity,
            kappa.kappa,
            intraclass_correlations(table).forms[IccForm.TWO_WAY_MIXED],
        ]

    truth = [line.value for line in lines(*draw(60_000), None)]
    for _ in range(trials):
        sample = draw(40)
        for found, counts in ((lines(*sample, subject), held), (lines(*sample, None), naive)):
            counts += [holds(line, true) for line, true in zip(found, truth, strict=True)]
    # 300 draws at 95 %: four standard errors are 5 %.
    assert held / trials == pytest.approx(0.95, abs=0.05)
    assert (naive / trials).min() < 0.90


def test_the_interval_of_ac1_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(86)
    trials, held = 400, 0

    def draw(subjects: int) -> FloatArray:
        level = np.repeat(rng.normal(-1, 1, subjects), 3)
        return (level[:, None] + rng.normal(0, 0.5, (level.size, 3)) > 0).astype(float)

    truth = gwet_ac1(draw(100_000), grades=2).value
    for _ in range(trials):
        held += holds(gwet_ac1(draw(30), grades=2, subjects=np.repeat(np.arange(30), 3)), truth)
    assert held / trials == pytest.approx(0.95, abs=0.044)


def test_optimism_of_the_best_cut_off_is_taken_off() -> None:
    # With no relation at all the best cut-off seems to work; corrected it does not, on average.
    rng = np.random.default_rng(87)
    apparent, corrected = [], []
    for _ in range(40):
        values, ill = rng.normal(3, 1, 40), np.tile([0, 1], 20)
        found = best_cut_off(values, ill)
        assert found is not None
        apparent.append(found.apparent.value)
        corrected.append(found.corrected.value)
    assert np.mean(apparent) > 0.15
    assert abs(np.mean(corrected)) < 0.08


def test_the_corrected_index_is_that_of_new_data() -> None:
    rng = np.random.default_rng(88)
    corrected, fresh = [], []
    ill = np.tile([0.0, 1.0], 25)
    for _ in range(60):
        found = best_cut_off(3 + ill + rng.normal(0, 1, 50), ill)
        assert found is not None
        more = np.tile(ill, 40)
        flagged = 3 + more + rng.normal(0, 1, more.size) >= found.threshold_mm.value
        fresh.append(flagged[more == 1].mean() - flagged[more == 0].mean())
        corrected.append(found.corrected.value)
    assert np.mean(corrected) == pytest.approx(np.mean(fresh), abs=0.03)


def test_no_cut_off_is_named_where_none_helps() -> None:
    assert best_cut_off([4.0, 4, 1, 1], [0, 0, 1, 1]) is None
    assert best_cut_off([2.0, 2, 2, 2], [0, 0, 1, 1]) is None
    assert roc_curve([4.0, 4, 1, 1], [0, 0, 1, 1]).youden_mm is None

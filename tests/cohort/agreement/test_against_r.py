"""Outside checks: what R computes from data sets that its packages publish.

Computed once with R 4.2.2 and the packages named, by the script that stands above each group of
numbers; the tests themselves need no R. The papers behind the data sets are cited from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import effective_size, linearised_error
from meniscal_measure.cohort.agreement.cut_off import best_cut_off
from meniscal_measure.cohort.agreement.design import Design, Factor, design
from meniscal_measure.cohort.agreement.diagnostic import roc_curve
from meniscal_measure.cohort.agreement.group_comparison import Sample, mean_of
from meniscal_measure.cohort.agreement.kappa import Weights, kappa_of_table, weighted_kappa
from meniscal_measure.cohort.agreement.mixed import mixed_model
from meniscal_measure.cohort.agreement.reliability import IccForm, intraclass_correlations
from tests.cohort.agreement.rating_tables import ratings_from_table

# pROC 1.18.0, its data set aSAH: S100B of 113 patients, and whether their outcome was poor
# (Turck N et al. Intensive Care Med 2010;36:107-115).
S100B = """
0.13 0.14 0.1 0.04 0.13 0.1 0.47 0.16 0.18 0.1 0.12 0.1 0.44 0.71 0.04 0.08 0.49 0.04 0.07 0.33
0.09 0.09 0.07 0.11 0.07 0.17 0.07 0.11 0.13 0.19 0.05 0.16 0.41 0.14 0.34 0.35 0.48 0.09 0.96
0.25 0.5 0.46 0.16 0.07 0.43 0.45 0.11 0.08 0.09 0.86 0.52 0.08 0.06 0.13 2.07 0.1 0.14 0.15
0.07 0.06 0.77 0.05 0.09 0.3 0.03 0.09 0.04 0.23 0.7 0.09 0.27 0.71 0.08 0.26 0.08 0.16 0.09
0.13 0.1 0.08 0.11 0.33 0.11 0.28 0.07 0.1 0.32 0.22 0.07 0.05 0.24 0.38 0.1 0.15 0.08 0.14 0.1
0.07 0.04 0.19 0.56 0.14 0.58 0.32 0.82 0.74 0.15 0.47 0.17 0.44 0.15 0.5 0.48
"""
POOR = """
000011010010110010111010000000001001101100000000011000100010100111011011110001101000000100000000
00001111110001000
"""


def test_area_delong_interval_and_youden_cut_off_agree_with_proc() -> None:
    # data(aSAH); r <- roc(aSAH$outcome, aSAH$s100b, levels=c("Good","Poor"), direction="<")
    # ci.auc(r, method="delong"); coords(r, "best", best.method="youden")
    values = np.array(S100B.split(), dtype=np.float64)
    poor = np.array(list("".join(POOR.split())), dtype=np.float64)
    area = roc_curve(values, poor).area
    assert (area.low, area.value, area.high) == pytest.approx(
        (0.630118212, 0.731368564, 0.832618916), abs=1e-9
    )
    found = best_cut_off(values, poor)
    assert found is not None
    # pROC says 0.205, halfway between the values 0.19 and 0.22.
    assert found.threshold_mm.value == 0.22
    assert found.apparent.value == pytest.approx(0.805555555556 + 0.634146341463 - 1)


def test_the_six_reliabilities_and_their_intervals_agree_with_psych() -> None:
    # psych 2.2.9: ICC(sf, lmer=FALSE), the table of Shrout and Fleiss 1979
    judged = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    expected = {
        IccForm.ONE_WAY: (-0.1329323248748, 0.165741768405, 0.722560062328),
        IccForm.TWO_WAY_RANDOM: (0.0187865133747, 0.289763779528, 0.761084369649),
        IccForm.TWO_WAY_MIXED: (0.3424647650339, 0.714840714841, 0.945858259955),
        IccForm.ONE_WAY_AVERAGE: (-0.8844421552381, 0.442797133679, 0.912415420341),
        IccForm.TWO_WAY_RANDOM_AVERAGE: (0.0711368153025, 0.620050547599, 0.927232040168),
        IccForm.TWO_WAY_MIXED_AVERAGE: (0.6756747138163, 0.909315542377, 0.985891678169),
    }
    found = intraclass_correlations(ratings_from_table(judged)).forms
    for form, (low, value, high) in expected.items():
        line = found[form]
        assert (line.low, line.value, line.high) == pytest.approx((low, value, high), abs=1e-9)


@pytest.mark.parametrize(
    ("weights", "value", "error"),
    [
        (Weights.NONE, 0.49152542373, 0.05100181558),
        (Weights.LINEAR, 0.47368421053, 0.05443230918),
        (Weights.QUADRATIC, 0.45454545455, 0.06645368159),
    ],
)
def test_kappa_and_its_error_agree_with_vcd(weights: Weights, value: float, error: float) -> None:
    # vcd 1.4.11: Kappa(matrix(c(88,14,18,10,40,10,2,6,12), 3, 3, byrow=TRUE), weights=w)
    # with w "Equal-Spacing" and "Fleiss-Cohen"; the ASE of $Unweighted and $Weighted
    found = kappa_of_table([[88, 14, 18], [10, 40, 10], [2, 6, 12]], weights=weights).kappa
    assert found.high is not None
    assert found.value == pytest.approx(value)
    assert (found.high - found.value) / 1.959963984540054 == pytest.approx(error)


# nlme 3.1.162, its data set Orthodont: distance in mm from pituitary to pterygomaxillary fissure at
# 8, 10, 12 and 14 years (Potthoff RF, Roy SN. Biometrika 1964;51:313-326); M boys, F girls.
ORTHODONT = """
M01 26 25 29 31
M02 21.5 22.5 23 26.5
M03 23 22.5 24 27.5
M04 25.5 27.5 26.5 27
M05 20 23.5 22.5 26
M06 24.5 25.5 27 28.5
M07 22 22 24.5 26.5
M08 24 21.5 24.5 25.5
M09 23 20.5 31 26
M10 27.5 28 31 31.5
M11 23 23 23.5 25
M12 21.5 23.5 24 28
M13 17 24.5 26 29.5
M14 22.5 25.5 25.5 26
M15 23 24.5 26 30
M16 22 21.5 23.5 25
F01 21 20 21.5 23
F02 21 21.5 24 25.5
F03 20.5 24 24.5 26
F04 23.5 24.5 25 26.5
F05 21.5 23 22.5 23.5
F06 20 21 21 22.5
F07 21.5 22.5 23 25
F08 23 23 23.5 24
F09 20 21 22 21.5
F10 16.5 19 19 19.5
F11 24.5 25 28 28
"""


def test_group_by_visit_agrees_with_lmertest() -> None:
    # lmerTest 3.1.3: m <- lmer(distance ~ Sex * factor(age) + (1 | Subject), Orthodont)
    # with Sex from "Female"; summary(m)$coefficients; VarCorr(m); anova(m)
    rows = [line.split() for line in ORTHODONT.split("\n") if line]
    subject = np.repeat([row[0] for row in rows], 4)
    group = np.array([name[0] for name in subject])
    visit = np.tile(["08", "10", "12", "14"], len(rows))
    values = np.array([row[1:] for row in rows], dtype=np.float64).ravel()
    factors = [Factor("group", group, ("F", "M")), Factor("visit", visit, ("08", "10", "12", "14"))]
    found = mixed_model(
        values, design(factors, {}, together=[("group", "visit")]), {"subject": subject}
    )
    expected = [
        (21.1818181818, 0.6915349309, 46.07911875, 2.779816170e-32),
        (1.6931818182, 0.8983302267, 46.07911875, 6.577138079e-02),
        (1.0454545455, 0.5992476909, 75.00000014, 8.514894922e-02),
        (1.9090909091, 0.5992476909, 75.00000014, 2.104170602e-03),
        (2.9090909091, 0.5992476909, 75.00000014, 6.414110020e-06),
        (-0.1079545455, 0.7784455852, 75.00000014, 8.900750070e-01),
        (0.9346590909, 0.7784455852, 75.00000014, 2.336562880e-01),
        (1.6846590909, 0.7784455852, 75.00000014, 3.363781801e-02),
    ]
    for one, (value, se, df, p) in zip(found.effects, expected, strict=True):
        assert (one.estimate.value, one.se) == pytest.approx((value, se), rel=1e-6)
        assert (one.df, one.p) == pytest.approx((df, p), rel=1e-3)
    assert [line.value for line in found.fit.spreads] == pytest.approx(
        [1.812564011, 1.405360407], rel=1e-6
    )
    assert found.joint_p((5, 6, 7)) == pytest.approx(0.0780583, rel=1e-3)


# lme4 1.1.31, its data set Pastes: strength of chemical paste, two tests of each of three casks of
# ten batches (Davies OL, Goldsmith PL. Statistical Methods in Research and Production. 1972).
PASTES = """
Aa:62.8,62.6 Ab:60.1,62.3 Ac:62.7,63.1 Ba:60,61.4 Bb:57.5,56.9 Bc:61.1,58.9 Ca:58.7,57.5
Cb:63.9,63.1 Cc:65.4,63.7 Da:57.1,56.4 Db:56.9,58.6 Dc:64.7,64.5 Ea:55.1,55.1 Eb:54.7,54.2
Ec:58.8,57.5 Fa:63.4,64.9 Fb:59.3,58.1 Fc:60.5,60 Ga:62.5,62.6 Gb:61,58.7 Gc:56.9,57.7
Ha:59.2,59.4 Hb:65.2,66 Hc:64.8,64.1 Ia:54.8,54.8 Ib:64,64 Ic:57.7,56.8 Ja:58.3,59.3
Jb:59.2,59.2 Jc:58.9,56.6
"""


def test_nested_levels_agree_with_lme4() -> None:
    # lmer(strength ~ 1 + (1 | batch/cask), Pastes)
    casks = [item.split(":") for item in PASTES.split()]
    cask = np.repeat([name for name, _ in casks], 2)
    batch = np.array([name[0] for name in cask])
    values = np.array([value for _, both in casks for value in both.split(",")], dtype=np.float64)
    intercept = Design(np.ones((60, 1)), ((),), {})
    found = mixed_model(values, intercept, {"batch": batch, "cask": cask})
    (effect,) = found.effects
    assert (effect.estimate.value, effect.se) == pytest.approx(
        (60.0533333333, 0.676870215074), rel=1e-5
    )
    assert effect.df == pytest.approx(9, rel=1e-3)
    assert [line.value for line in found.fit.spreads] == pytest.approx(
        [1.287365881105, 2.904077466476, 0.823407523447], rel=1e-5
    )


def test_clustered_means_and_shares_agree_with_survey() -> None:
    # survey 4.1.1: s <- svydesign(ids=~id, data=d, weights=~1)
    # svymean(~x, s); confint(svymean(~x, s), df=degf(s)); svymean(~hit, s, deff="replace")
    subject = np.array([1, 1, 2, 2, 3, 4, 4, 5, 6, 6, 7, 8]) - 1
    x = np.array([2.1, 2.4, 3.3, 3.9, 1.2, 4.4, 3.8, 2.2, 5.1, 4.2, 2.9, 3.1])
    hit = np.array([0.0, 0, 1, 1, 0, 1, 1, 0, 1, 1, 0, 1])
    assert linearised_error(x, subject).se == pytest.approx(0.4070693643)
    found = mean_of("Mean", Sample(x, subject))
    assert (found.low, found.high) == pytest.approx((2.254100576, 4.179232758))
    assert linearised_error(hit, subject).se == pytest.approx(0.19187647)
    # survey divides by the variance of as many independent cases with n - 1 for n.
    assert 12 / effective_size(hit, subject) == pytest.approx(1.66621 * 12 / 11, rel=1e-5)


# Pups of each litter of rats that lived through lactation, out of those alive on day 4: Weil CS.
# Food Cosmet Toxicol 1970;8:177-182, as analysed by Rao JNK and Scott AJ. Biometrics
# 1992;48:577-585, Table 1 (litters quoted from memory; their totals and results confirm them).
CONTROL = "13/13 12/12 9/9 9/9 8/8 8/8 12/13 11/12 9/10 9/10 8/9 11/13 4/5 5/7 7/10 7/10"
TREATED = "12/12 11/11 10/10 9/9 10/11 9/10 9/10 8/9 8/9 4/5 7/9 4/7 5/10 3/6 3/10 0/7"


@pytest.mark.parametrize(("litters", "effect"), [(CONTROL, 1.232495), (TREATED, 3.952861)])
def test_the_design_effects_printed_for_the_litters_of_rao_and_scott(
    litters: str, effect: float
) -> None:
    # Printed in the help page of rsb() of the R package PF for "Table 1 of Rao and Scott".
    counts = [tuple(map(int, item.split("/"))) for item in litters.split()]
    hits = np.concatenate([np.repeat([1.0, 0.0], [lived, of - lived]) for lived, of in counts])
    litter = np.repeat(np.arange(len(counts)), [of for _, of in counts])
    assert hits.size / effective_size(hits, litter) == pytest.approx(effect, abs=5e-7)


# survey 4.1.1, its data set apiclus1: schools of 15 districts drawn from 757, and whether each met
# a comparable-improvement and a school-wide target: neither, the second only, both.
SCHOOLS = """
2,1,10 3,5,26 1,0,3 3,1,9 1,2,13 0,0,2 0,0,1 0,0,4 0,1,11 3,4,14 2,3,4 0,2,9 5,6,26 1,0,1 2,2,0
"""


def test_the_clustered_kappa_printed_for_the_schools_of_survey() -> None:
    # Printed in the help page of svykappa(~comp.imp + sch.wide, dclus1): 0.55321, SE 0.0399; with
    # the correction for 15 of 757 districts, which a sample of subjects does not have.
    counts = np.array([list(map(int, item.split(","))) for item in SCHOOLS.split()])
    district, kind = (
        part.repeat(counts.ravel()) for part in np.indices(counts.shape).reshape(2, -1)
    )
    found = weighted_kappa(
        kind == 2, kind > 0, grades=2, weights=Weights.NONE, subjects=district
    ).kappa
    assert found.value == pytest.approx(0.55321, abs=5e-6)
    assert found.high is not None
    error = (found.high - found.value) / stats.t.ppf(0.975, 14)
    assert error * (1 - 15 / 757) ** 0.5 == pytest.approx(0.0399, abs=5e-5)

"""Sensitivity, specificity and ROC against published tables and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import (  # type: ignore[import-untyped]
    confusion_matrix,
    roc_auc_score,
)
from sklearn.metrics import roc_curve as sklearn_roc_curve

from meniscal_measure.caliper.decision import flag
from meniscal_measure.caliper.reading import Conventions, ThresholdRule
from meniscal_measure.cohort.agreement.diagnostic import (
    Counts,
    accuracy,
    roc_curve,
)
from meniscal_measure.errors import AgreementError

# Choi S-H et al., Knee Surg Sports Traumatol Arthrosc 2012;20:2098-2103: 30 knees with a medial
# root tear and 30 without; sensitivity, specificity, predictive values in per cent.
CHOI = {
    "axial radial tear": (Counts(28, 2, 0, 30), (93.3, 100, 100, 93.8)),
    "coronal truncation": (Counts(27, 3, 0, 30), (90, 100, 100, 90.9)),
    "sagittal ghost": (Counts(29, 1, 1, 29), (96.7, 96.7, 96.7, 96.7)),
    "extrusion": (Counts(19, 11, 3, 27), (63.3, 90, 86.4, 71.1)),
}


@pytest.mark.parametrize("sign", list(CHOI))
def test_published_root_tear_signs(sign: str) -> None:
    counts, printed = CHOI[sign]
    test, finding = np.repeat(
        [[1, 0, 1, 0], [1, 1, 0, 0]],
        [counts.true_positive, counts.false_negative, counts.false_positive, counts.true_negative],
        axis=1,
    )
    found = accuracy(test, finding)
    assert found.counts == counts
    values = [100 * estimate.value for estimate in found.estimates[:4]]
    assert [round(value, 1) for value in values] == list(printed)


def test_counts_agree_with_scikit_learn() -> None:
    rng = np.random.default_rng(40)
    finding, flags = rng.integers(0, 2, (2, 200))
    counts = accuracy(flags, finding).counts
    tn, fp, fn, tp = confusion_matrix(finding, flags).ravel()
    assert counts == Counts(tp, fn, fp, tn)


def test_area_of_the_1982_example() -> None:
    # Hanley and McNeil, Radiology 1982;143:29-36: 58 normal and 51 abnormal scans rated 1 to 5,
    # area 0.893, standard error 0.032 (quoted from memory).
    normal, abnormal = [33, 6, 6, 11, 2], [3, 2, 2, 11, 33]
    scale = np.arange(1, 6)
    ratings = np.concatenate([np.repeat(scale, normal), np.repeat(scale, abnormal)])
    result = roc_curve(ratings, np.repeat([0, 1], [58, 51]))
    assert round(result.area.value, 3) == 0.893
    assert ((result.area.high or 0) - result.area.value) / 1.96 == pytest.approx(0.032, abs=0.002)


def test_curve_and_area_agree_with_scikit_learn_with_ties() -> None:
    rng = np.random.default_rng(41)
    finding = rng.integers(0, 2, 400)
    values = np.round(rng.normal(2.5 + finding, 1.2), 1)
    result = roc_curve(values, finding)
    fpr, tpr, thresholds = sklearn_roc_curve(finding, values, drop_intermediate=False)
    assert result.area.value == pytest.approx(roc_auc_score(finding, values))
    assert result.false_positive_rate == pytest.approx(fpr)
    assert result.sensitivity == pytest.approx(tpr)
    assert np.array_equal(result.thresholds_mm, thresholds)
    assert result.youden_mm is not None
    assert result.youden_mm.value == thresholds[np.argmax(tpr - fpr)]


@pytest.mark.parametrize("rule", list(ThresholdRule))
def test_curve_counts_and_flag_agree_at_exactly_the_threshold(rule: ThresholdRule) -> None:
    # Three knees of exactly 3 mm, two of them with rounding noise: one with the finding.
    exactly = [3.0, 3.0 + 4e-13, 3.0 - 4e-13]
    values = np.array([2.0, 2.9, *exactly, 3.1, 4.0])
    finding = np.array([0, 0, 1, 0, 0, 1, 1])
    conventions = Conventions(threshold_rule=rule)
    flags = [flag(value, conventions) for value in values.tolist()]
    counts = accuracy(flags, finding).counts
    roc = roc_curve(values, finding)
    assert roc.thresholds_mm.tolist() == [np.inf, 4.0, 3.1, 3.0, 2.9, 2.0]
    false_positive_rate, sensitivity = roc.point(conventions)
    assert sensitivity == pytest.approx(counts.true_positive / 3)
    assert false_positive_rate == counts.false_positive / 4
    above = rule is ThresholdRule.ABOVE
    assert (counts.true_positive, counts.false_positive) == ((2, 0) if above else (3, 2))


def test_a_threshold_above_every_value_flags_nobody() -> None:
    roc = roc_curve([1, 2, 3, 4], [0, 0, 1, 1])
    assert roc.point(Conventions(threshold_mm=9.0)) == (0.0, 0.0)
    assert roc.point(Conventions(threshold_mm=0.0)) == (1.0, 1.0)


def test_variance_of_the_area_against_its_definition() -> None:
    # DeLong 1988, structural components over all pairs, written out.
    rng = np.random.default_rng(42)
    ill, well = np.round(rng.normal(4, 1, 30), 1), np.round(rng.normal(3, 1, 25), 1)
    pairs = (ill[:, None] > well) + 0.5 * (ill[:, None] == well)
    variance = pairs.mean(axis=1).var(ddof=1) / 30 + pairs.mean(axis=0).var(ddof=1) / 25
    result = roc_curve(np.concatenate([ill, well]), np.repeat([1, 0], [30, 25]))
    assert result.area.value == pytest.approx(pairs.mean())
    assert (result.area.low or 0) == pytest.approx(pairs.mean() - 1.959964 * variance**0.5)


def test_missing_values_are_counted() -> None:
    result = roc_curve([1, 2, 3, 4, np.nan, 6], [0, 0, 1, 1, 1, np.nan])
    assert (result.cases.used, result.cases.left_out) == (4, 2)
    assert result.area.value == 1


def test_an_area_of_one_has_no_interval() -> None:
    area = roc_curve([1, 2, 3, 4], [0, 0, 1, 1]).area
    assert (area.value, area.low, area.high) == (1.0, None, None)


def test_one_sided_cases_are_refused() -> None:
    with pytest.raises(AgreementError, match="0 cases have the reference finding and 3 do not"):
        roc_curve([1, 2, 3], [0, 0, 0])


def test_a_reference_that_is_neither_yes_nor_no_is_refused() -> None:
    with pytest.raises(AgreementError, match="A reference finding must be 1"):
        roc_curve([1, 2, 3], [0, 1, 2])
    with pytest.raises(AgreementError, match="A flag must be 1"):
        accuracy([0, 3], [0, 1])

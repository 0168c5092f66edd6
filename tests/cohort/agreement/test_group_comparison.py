"""Groups described, compared and modelled."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.cohort.agreement.group_comparison import compare_groups, summarise_groups
from meniscal_measure.cohort.agreement.mixed import mixed_model
from meniscal_measure.errors import AgreementError


def test_a_group_is_described_by_mean_spread_and_share_flagged() -> None:
    groups = ["tear"] * 4 + ["control"] * 4
    values = [4.0, 5.0, 3.0, np.nan, 1.0, 2.0, 1.5, 3.5]
    flags = [1, 1, 0, np.nan, 0, 0, 0, 1]
    control, tear = summarise_groups(groups, values, flags)
    assert (control.group, tear.group) == ("control", "tear")
    assert tear.mean.value == pytest.approx(4.0)
    assert tear.flagged.value == pytest.approx(2 / 3)
    assert (tear.cases.used, tear.cases.left_out) == (3, 1)
    expected = stats.ttest_1samp([1.0, 2.0, 1.5, 3.5], 0).confidence_interval(0.95)
    assert (control.mean.low, control.mean.high) == pytest.approx((expected.low, expected.high))
    quartiles = (control.lower_quartile, control.median, control.upper_quartile)
    assert [one.value for one in quartiles] == pytest.approx([1.375, 1.75, 2.375])


def test_published_difference_of_women_and_men_from_its_summary() -> None:
    # Bloecker, BMC Musculoskelet Disord 2011;12:248: women 1.83 (1.06), men 1.24 (1.18) mm,
    # p = 0.011, 102 knees; two samples of 51 built to exactly these means and SDs.
    shape = np.random.default_rng(70).normal(size=(2, 51))
    shape = (shape - shape.mean(axis=1, keepdims=True)) / shape.std(axis=1, ddof=1, keepdims=True)
    difference, p = compare_groups(1.83 + 1.06 * shape[0], 1.24 + 1.18 * shape[1])
    assert difference.value == pytest.approx(0.59)
    assert p.value == pytest.approx(0.011, abs=0.003)


def test_a_group_of_one_is_refused() -> None:
    with pytest.raises(AgreementError, match="group 'a' needs at least 2 complete cases"):
        summarise_groups(["a", "b", "b"], [1.0, 2.0, 3.0], [0, 0, 0])


def test_a_mixed_model_recovers_the_effects_it_was_built_with() -> None:
    rng = np.random.default_rng(71)
    subjects = np.repeat(np.arange(150), 4)
    visit = np.tile([0, 0, 1, 1], 150)
    tear = np.repeat(rng.integers(0, 2, 150), 4)
    level = np.repeat(rng.normal(0, 0.8, 150), 4)
    extrusion = 2 + 1.12 * tear + 0.3 * visit + level + rng.normal(0, 0.3, 600)
    columns = {"extrusion": extrusion, "tear": tear, "visit": visit, "subject": subjects}
    result = mixed_model("extrusion ~ tear + visit", columns, subject="subject")
    for name, truth in {"Intercept": 2, "tear": 1.12, "visit": 0.3}.items():
        effect = result.effects[name]
        assert effect.low is not None
        error = (effect.value - effect.low) / 1.96
        assert abs(effect.value - truth) < 3.5 * error
    assert result.spreads["subject"].value == pytest.approx(0.8, rel=0.2)
    assert result.residual_sd.value == pytest.approx(0.3, rel=0.1)


def test_balanced_mixed_model_equals_the_paired_difference() -> None:
    # With two visits of every subject the visit effect is the mean paired difference.
    rng = np.random.default_rng(72)
    first = rng.normal(3, 1, 40)
    second = first + rng.normal(0.4, 0.3, 40)
    columns = {
        "y": np.concatenate([first, second]),
        "visit": np.repeat([0, 1], 40),
        "subject": np.tile(np.arange(40), 2),
    }
    effect = mixed_model("y ~ visit", columns, subject="subject").effects["visit"]
    assert effect.value == pytest.approx((second - first).mean(), abs=1e-6)


def test_two_readings_of_one_examination_are_not_independent() -> None:
    # Balanced: the interval of the visit effect is that of the paired differences of the
    # examinations' means, normal instead of t. Without the level of the examination the readings
    # pass for independent ones, and it is too narrow.
    rng = np.random.default_rng(73)
    knees, readers = 60, 3
    level, changed = rng.normal(2, 1, (knees, 1, 1)), rng.normal(0, 0.5, (knees, 2, 1))
    values = level + changed + [[0.0], [0.3]] + rng.normal(0, 0.2, (knees, 2, readers))
    index = np.indices(values.shape)
    columns = {
        "extrusion": values.ravel(),
        "subject": index[0].ravel(),
        "visit": index[1].ravel(),
        "examination": (2 * index[0] + index[1]).ravel(),
    }
    ask = partial(mixed_model, "extrusion ~ visit", columns, subject="subject")
    effect = ask(nested=["examination"]).effects["visit"]
    differences = np.diff(values.mean(axis=2), axis=1)
    half = 1.959964 * differences.std(ddof=1) / knees**0.5
    assert effect.value == pytest.approx(differences.mean(), abs=1e-6)
    assert effect.low == pytest.approx(differences.mean() - half, rel=1e-3)
    naive = ask().effects["visit"]
    assert naive.low is not None
    assert naive.value - naive.low < 0.8 * half


def test_a_level_without_variance_is_remarked_on() -> None:
    rng = np.random.default_rng(74)
    columns = {
        "extrusion": rng.normal(2, 0.2, 80),
        "subject": np.repeat(np.arange(20), 4),
        "visit": np.tile([0, 0, 1, 1], 20),
    }
    result = mixed_model("extrusion ~ visit", columns, subject="subject")
    assert result.spreads["subject"].value == pytest.approx(0, abs=0.05)
    assert any("boundary" in remark for remark in result.remarks)


def test_rows_with_a_missing_value_are_counted() -> None:
    rng = np.random.default_rng(73)
    y = rng.normal(size=40) + np.repeat(rng.normal(size=20), 2)
    y[3] = np.nan
    columns = {"y": y, "visit": np.tile([0, 1], 20), "subject": np.repeat(np.arange(20), 2)}
    result = mixed_model("y ~ visit", columns, subject="subject")
    assert result.cases.sentence.startswith("39 of 40 rows were analysed")


def test_a_column_that_is_not_there_is_named() -> None:
    with pytest.raises(AgreementError, match="no column 'knee'"):
        mixed_model("y ~ x", {"y": [1.0], "x": [1.0]}, subject="knee")
    with pytest.raises(AgreementError, match="cannot be fitted"):
        mixed_model("y ~ z", {"y": [1.0, 2.0], "s": [1, 2]}, subject="s")


def test_effects_that_cannot_be_told_apart_are_refused() -> None:
    columns = {
        "y": np.arange(8.0),
        "a": np.tile([0, 1], 4),
        "b": np.tile([0, 1], 4),
        "s": np.repeat([1, 2, 3, 4], 2),
    }
    with pytest.raises(AgreementError, match=r"y ~ a \+ b"):
        mixed_model("y ~ a + b", columns, subject="s")

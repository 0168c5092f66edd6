"""Change by group from readings: a known interaction is found, by means and by the model."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.agreement.labels import Labels
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.visit_change import (
    between_visits,
    group_visit_model,
    visit_sort_key,
)

INTERACTION_MM = 0.385


def study(subjects: int = 80, seed: int = 100) -> Readings:
    """Both knees of tears and controls at two visits; tears grow by 0.385 mm more."""
    rng = np.random.default_rng(seed)
    subject, side, visit = (axis.ravel() for axis in np.indices((subjects, 2, 2)))
    tear = subject % 2
    values = (
        2 + 0.9 * tear + 0.2 * visit + INTERACTION_MM * tear * visit
        + rng.normal(0, 0.7, subjects)[subject]
        + rng.normal(0, 0.4, (subjects, 2))[subject, side]
        + rng.normal(0, 0.25, subject.size)
    )  # fmt: skip
    return Readings(
        Conventions(),
        Labels.of([f"S{number:03d}" for number in subject]),
        Labels.of(np.where(visit == 1, "month 12", "baseline")),
        Labels.of(np.where(side == 1, "right", "left")),
        Labels.of(np.where(tear == 1, "tear", "control")),
        Labels.of(["A"] * subject.size),
        np.ones(subject.size, dtype=np.int64),
        values,
        np.full(subject.size, 0.2),
    )


def test_the_known_interaction_is_found_by_means_and_by_the_model() -> None:
    readings = study()
    by_means = between_visits(readings, ("baseline", "month 12"), detectable_mm=0.5).by_group()
    assert by_means is not None
    (difference,) = by_means.differences
    assert (difference.first, difference.second) == ("tear", "control")
    line = difference.difference
    assert line.low is not None
    assert line.high is not None
    assert line.low < INTERACTION_MM < line.high
    assert difference.p < 0.001
    model = group_visit_model(readings)
    assert model is not None
    (effect,) = model.between
    # Balanced, so that both ways estimate the same number.
    assert effect.estimate.value == pytest.approx(line.value, abs=1e-6)
    assert model.interaction_p == pytest.approx(effect.p)
    assert effect.p < 0.001
    assert [one.estimate.name for one in model.within] == [
        "Change from visit baseline to month 12, control",
        "Change from visit baseline to month 12, tear",
    ]
    assert [one.estimate.value for one in model.within] == pytest.approx(
        [one.mean.value for one in by_means.groups], abs=1e-6
    )
    assert model.formula == "extrusion ~ group + visit + side + group × visit"
    assert model.levels == ("subject", "knee")


def test_a_bootstrap_over_subjects_gives_the_same_interval() -> None:
    readings = study()
    change = between_visits(readings, ("baseline", "month 12"), detectable_mm=0.5)
    found, changes = change.by_group(), change.changes
    assert found is not None
    line = found.differences[0].difference
    own = np.array([knee.split(" / ")[0] for knee in changes.knees])
    sums = np.bincount(np.unique(own, return_inverse=True)[1], changes.change_mm)
    tear = np.arange(80) % 2 == 1
    chance = np.random.default_rng(101)
    draws = [
        [chance.choice(sums[kind], 40).sum() / 80 for kind in (tear, ~tear)] for _ in range(4000)
    ]
    low, high = np.quantile([one - two for one, two in draws], [0.025, 0.975])
    assert (line.low, line.high) == pytest.approx((low, high), abs=0.02)


def test_covariates_are_held_constant() -> None:
    readings = study()
    number = np.array([int(subject[1:]) for subject in readings.subject.texts])
    age = 50.0 + number % 7
    readings.extrusion_mm[:] += 0.1 * age
    model = group_visit_model(readings, {"age": age, "constant": np.ones(age.size)})
    assert model is not None
    assert model.covariates == ("age",)
    (effect,) = [one for one in model.model.effects if one.estimate.name == "age, per unit"]
    assert abs(effect.estimate.value - 0.1) < 3.5 * effect.se


def test_one_group_has_changes_and_no_interaction() -> None:
    readings = study()
    alone = readings.where(readings.group.is_("tear"))
    change = between_visits(alone, ("baseline", "month 12"), detectable_mm=0.5)
    assert change.by_group() is None
    model = group_visit_model(alone)
    assert model is not None
    assert (model.between, model.interaction_p) == ((), None)
    assert model.within[0].estimate.value == pytest.approx(change.summary.mean.value, abs=1e-6)


def test_nothing_that_varies_is_nothing_to_model() -> None:
    readings = study()
    for column, name in (("group", "tear"), ("visit", "baseline"), ("side", "left")):
        readings = readings.where(getattr(readings, column).is_(name))
    assert group_visit_model(readings) is None


@pytest.mark.parametrize(
    "in_time",
    [
        ["2", "10"],
        ["baseline", "12 months"],
        ["Baseline", "6w", "3 months", "1 year", "24 months"],
        ["pre-op", "month 6", "month 12"],
        ["screening", "V2", "V10"],
        ["BL", "M12", "M24"],
    ],
)
def test_visits_come_in_the_order_of_time(in_time: list[str]) -> None:
    mixed = [*in_time[1:], in_time[0]]
    assert sorted(mixed, key=visit_sort_key) == in_time

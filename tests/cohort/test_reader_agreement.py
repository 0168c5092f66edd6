"""From readings to statements about readers and visits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.decision import flag
from meniscal_measure.caliper.grades import grade
from meniscal_measure.caliper.reading import Conventions, ThresholdRule
from meniscal_measure.cohort.adjudication import adjudication_csv, to_adjudicate
from meniscal_measure.cohort.agreement.labels import Labels
from meniscal_measure.cohort.agreement.reliability import IccForm, intraclass_correlations
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.paper.sensitivity import sensitivity_table
from meniscal_measure.cohort.reader_agreement import (
    between_readers,
    detectable_change,
    within_readers,
)
from meniscal_measure.cohort.readings import (
    Readings,
    knee_label,
    load_readings,
)
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, carry_out
from meniscal_measure.cohort.visit_change import between_visits
from meniscal_measure.errors import AgreementError
from tests.cohort.agreement.rating_tables import ratings_from_table


def readings(*rows: tuple[str, str, str, int, float]) -> Readings:
    """Readings of right knees from subject, visit, reader, repeat and extrusion in mm."""
    subject, visit, reader, repeat, value = zip(*rows, strict=True)
    values = np.array(value, dtype=np.float64)
    n = len(rows)
    return Readings(
        Conventions(), Labels.of(subject), Labels.of(visit), Labels.of(["right"] * n),
        Labels.of(["all"] * n), Labels.of(reader), np.array(repeat, dtype=np.int64), values,
        np.full(n, 0.25),
    )  # fmt: skip


@pytest.fixture
def study() -> Readings:
    """Twelve knees read by A and B; A read four of them twice."""
    rng = np.random.default_rng(90)
    truth = np.linspace(0.5, 6, 12)
    rows = [
        (f"S{n:02d}", "1", reader, 1, truth[n] + offset + rng.normal(0, 0.2))
        for reader, offset in (("A", 0.0), ("B", 0.3))
        for n in range(12)
    ]
    rows += [(f"S{n:02d}", "1", "A", 2, truth[n] + rng.normal(0, 0.2)) for n in range(4)]
    return readings(*rows)


def test_readers_are_compared_on_their_first_readings(study: Readings) -> None:
    result = between_readers(study)
    assert result is not None
    table = study.extrusion_mm[:24].reshape(2, 12).T
    expected = intraclass_correlations(ratings_from_table(table)).forms[IccForm.TWO_WAY_RANDOM]
    assert result.readers == ("A", "B")
    assert result.reliability.forms[IccForm.TWO_WAY_RANDOM] == expected
    (pair,) = result.pairs
    assert pair.limits.bias.value == pytest.approx((table[:, 0] - table[:, 1]).mean())
    assert pair.flags.cases.used == 12


def test_a_reader_of_few_cases_does_not_reduce_the_others_to_these() -> None:
    rng = np.random.default_rng(4)
    rows = [(f"S{n:02d}", "1", reader, 1, 2 + n / 4 + rng.normal(0, 0.2))
            for n in range(12) for reader in ("A", "B", "C")]  # fmt: skip
    few = [(f"S{n:02d}", "1", "late", 1, 9.0 + n) for n in range(3)]
    alone, together = between_readers(readings(*rows)), between_readers(readings(*rows, *few))
    assert alone is not None
    assert together is not None
    assert (together.readers, together.left_out) == (("A", "B", "C"), ("late",))
    assert together.reliability.forms == alone.reliability.forms
    every = {row[0]: row for row in sensitivity_table("Medial", readings(*rows, *few)).rows}["all"]
    assert every[-1] == sensitivity_table("Medial", readings(*rows)).rows[0][-1]
    assert len(together.pairs) == 6


def test_a_reader_is_compared_with_their_own_repeats(study: Readings) -> None:
    (within,) = within_readers(study)
    assert within.reader == "A"
    assert within.reliability.cases.used == 4


def test_one_reader_has_no_other_to_agree_with(study: Readings) -> None:
    alone = study.where(study.reader.is_("A"))
    assert between_readers(alone) is None


def test_readings_of_a_knee_are_averaged(study: Readings) -> None:
    knees = study.by_examination
    first = study.extrusion_mm[study.subject.is_("S00")]
    assert first.size == 3
    assert knees.extrusion_mm[0] == pytest.approx(first.mean())
    assert knees.subject.texts.tolist() == [f"S{n:02d}" for n in range(12)]
    assert knees.u_mm == pytest.approx(np.full(12, 0.25))


def test_visits_are_paired_by_knee_and_a_missed_one_is_counted() -> None:
    both = readings(
        ("S1", "base", "A", 1, 3.3),
        ("S1", "year", "A", 1, 5.5),
        ("S2", "base", "A", 1, 2.0),
        ("S2", "year", "A", 1, 2.2),
        ("S3", "base", "A", 1, 2.0),
        ("S4", "other", "A", 1, 9.0),
    )
    found = between_visits(both, ("base", "year"), detectable_mm=0.8)
    changes, summary = found.changes, found.summary
    assert changes.change_mm[:2] == pytest.approx([2.2, 0.2])
    assert changes.exceeds_detectable.tolist() == [True, False, False]
    assert (summary.cases.used, summary.cases.left_out) == (2, 1)


def test_the_offset_of_a_reader_does_not_pass_for_a_change() -> None:
    # B reads 1 mm more than A; neither knee has changed. S3 was read by A first and B later.
    both = readings(
        ("S1", "1", "A", 1, 2.0), ("S1", "2", "A", 1, 2.0), ("S1", "2", "B", 1, 3.0),
        ("S2", "1", "A", 1, 2.5), ("S2", "1", "A", 2, 2.7), ("S2", "2", "A", 1, 2.6),
        ("S2", "1", "B", 1, 3.5), ("S2", "2", "B", 1, 3.5),
        ("S3", "1", "A", 1, 2.0), ("S3", "2", "B", 1, 3.0),
    )  # fmt: skip
    found = between_visits(both, ("1", "2"), detectable_mm=0.5)
    changes, summary = found.changes, found.summary
    assert changes.change_mm[:2] == pytest.approx([0.0, 0.0])
    assert np.isnan(changes.change_mm[2])
    assert (summary.cases.used, summary.cases.left_out) == (2, 1)


def test_knees_of_one_subject_are_repeated_measurements_for_the_limits(study: Readings) -> None:
    first = study.where(study.repeat == 1)
    alone, again = between_readers(first), between_readers(
        replace(first, subject=Labels.of(np.tile(np.repeat([f"P{n}" for n in range(6)], 2), 2)),
                visit=Labels.of(np.tile(["1", "2"], 12)))
    )  # fmt: skip
    assert alone is not None
    assert again is not None
    assert (alone.subjects, again.subjects) == (12, 6)
    one, two = alone.pairs[0].limits, again.pairs[0].limits
    assert "Carkeet" in one.lower.source
    assert "repeated measurements" in two.lower.source
    assert (one.cases.used, two.cases.used) == (12, 6)
    assert one.bias.value == pytest.approx(two.bias.value)


def test_detectable_change_takes_the_best_evidence(study: Readings) -> None:
    within = detectable_change(study)
    assert within.evidence == (
        "4 cases repeated by the same reader, 8 readings with 4 degrees of freedom"
    )
    own = within_readers(study)[0].error.repeatability_coefficient
    found = (within.estimate.value, within.estimate.low, within.estimate.high)
    assert found == pytest.approx((own.value, own.low, own.high))
    between = detectable_change(study.where(study.repeat == 1))
    assert between.evidence == "agreement between readers on 12 cases"
    alone = detectable_change(study.where((study.repeat == 1) & (study.reader.is_("A"))))
    assert alone.evidence.startswith("the stated uncertainty")
    assert alone.value_mm == pytest.approx(1.96 * 2**0.5 * 0.25)


def test_a_single_repeat_is_no_evidence_and_hides_nothing_else(study: Readings) -> None:
    few = study.where((study.repeat == 1) | (study.subject.is_("S00")))
    assert within_readers(few) == ()
    assert between_readers(few) is not None
    assert detectable_change(few).evidence == "agreement between readers on 12 cases"
    alone = detectable_change(few.where(few.reader.is_("A")))
    assert alone.evidence == (
        "the stated uncertainty of the readings, fewer than two cases repeated by any reader"
    )


def test_a_knee_read_a_third_time_adds_to_the_others() -> None:
    # By hand: squares about the mean 0.02 + 0.02 + 0.08 over 1 + 1 + 2 degrees of freedom.
    own = readings(
        ("S1", "1", "A", 1, 2.0), ("S1", "1", "A", 2, 2.2),
        ("S2", "1", "A", 1, 3.0), ("S2", "1", "A", 2, 3.2),
        ("S3", "1", "A", 1, 4.0), ("S3", "1", "A", 2, 4.2), ("S3", "1", "A", 3, 4.4),
        ("S4", "1", "A", 1, 9.0),
    )  # fmt: skip
    found = detectable_change(own)
    assert found.evidence == (
        "3 cases repeated by the same reader, 7 readings with 4 degrees of freedom"
    )
    assert found.value_mm == pytest.approx(1.96 * 2**0.5 * 0.03**0.5, rel=1e-4)
    (within,) = within_readers(own)
    assert within.table.values.tolist() == [[2.0, 2.2], [3.0, 3.2], [4.0, 4.2]]


def test_repeats_are_taken_in_their_order_and_as_many_as_most_have() -> None:
    rows = [(f"S{n}", "1", "A", repeat, n + repeat / 10) for n in range(5) for repeat in (9, 10, 1)]
    (within,) = within_readers(readings(*rows[:-1]))
    # S4 has two of three; without it 3 x 2 degrees of freedom are left, with two columns 4 x 1.
    cases, counted = within.table.complete()
    assert cases[0] == pytest.approx([0.1, 0.9, 1.0])
    assert (counted.used, counted.left_out) == (4, 1)


def with_copies(study: Readings, reader: str) -> Readings:
    """The readings, and those of one reader again as second repeats."""
    own = np.flatnonzero(study.reader.is_(reader))
    again = study.where(np.append(np.arange(study.repeat.size), own))
    again.repeat[-own.size :] = 2
    return again


def test_identical_repeats_are_copies_and_no_evidence(study: Readings) -> None:
    copied = with_copies(study.where(study.repeat == 1), "A")
    remark = "; identical repeats of 12 cases, as of copies, do not count"
    found = detectable_change(copied)
    assert found.evidence == f"agreement between readers on 12 cases{remark}"
    assert found.value_mm > 0.1
    alone = detectable_change(copied.where(copied.reader.is_("A")))
    assert alone.evidence == f"the stated uncertainty of the readings{remark}"
    assert alone.value_mm == pytest.approx(1.96 * 2**0.5 * 0.25)


def test_copies_of_one_reader_do_not_dilute_the_repeats_of_another(study: Readings) -> None:
    found = detectable_change(with_copies(study, "B"))
    assert found.estimate == detectable_change(study).estimate
    assert found.evidence.endswith("identical repeats of 12 cases, as of copies, do not count")


def test_identical_readings_by_two_readers_are_no_evidence(study: Readings) -> None:
    own = study.where(study.reader.is_("A") & (study.repeat == 1))
    twice = own.where(np.tile(np.arange(12), 2))
    found = detectable_change(replace(twice, reader=Labels.of(np.repeat(["A", "B"], 12))))
    assert found.evidence.endswith("readings by different readers, as of copies, do not count")
    assert found.value_mm == pytest.approx(1.96 * 2**0.5 * 0.25)


@pytest.mark.parametrize(("rule", "flagged"), [("above", 0.0), ("at_or_above", 1.0)])
def test_a_knee_is_flagged_by_the_rule_on_the_mean_of_its_readings(
    rule: str, flagged: float
) -> None:
    exactly = replace(
        readings(("S1", "1", "A", 1, 2.8), ("S1", "1", "B", 1, 3.2)),
        conventions=Conventions(threshold_rule=ThresholdRule(rule)),
    )
    (knee,) = exactly.by_examination.flag.tolist()
    assert knee == flagged


def test_a_visit_nobody_came_to_is_named() -> None:
    with pytest.raises(AgreementError, match="No knee was measured at visit 'year'"):
        between_visits(readings(("S1", "base", "A", 1, 3.0)), ("base", "year"), detectable_mm=1)


def test_readers_who_differ_beyond_error_or_on_the_flag_are_listed() -> None:
    found = to_adjudicate(
        readings(
            ("agree", "1", "A", 1, 2.0),
            ("agree", "1", "B", 1, 2.3),
            ("flag", "1", "A", 1, 2.9),
            ("flag", "1", "B", 1, 3.1),
            ("large", "1", "A", 1, 5.9),
            ("large", "1", "B", 1, 4.0),
            ("large", "1", "C", 1, 4.5),
            ("once", "1", "A", 1, 4.5),
            ("repeat", "1", "A", 1, 1.0),
            ("repeat", "1", "A", 2, 5.0),
        ),
        detectable_mm=0.81,
    )
    listed = list(found)
    assert [knee.knee for knee in listed] == ["flag / right / 1", "large / right / 1"]
    assert listed[0].reason == "differ on the flag"
    assert (listed[1].first_reader, listed[1].second_reader) == ("A", "B")
    assert listed[1].reason == (
        "differ by 1.90 mm, more than the smallest detectable change of 0.81 mm"
    )
    assert adjudication_csv(listed).splitlines()[1] == (
        "flag / right / 1,A,B,2.9,3.1,differ on the flag"
    )


def test_only_what_was_measured_is_loaded(
    tmp_path: Path, make_knee: Callable[..., Entry], measure: Measure
) -> None:
    path = tmp_path / "cohort.sqlite"
    entries = [make_knee("S1", extrusion_mm=3.5), make_knee("S2", refuse="no")]
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as store:
        loaded = load_readings(store, Compartment.MEDIAL)
        with pytest.raises(AgreementError, match="no measured lateral compartment"):
            load_readings(store, Compartment.LATERAL)
    assert loaded.extrusion_mm.tolist() == [3.5]
    assert loaded.examination.texts.tolist() == ["S1 / right / 1"]


def test_a_knee_is_named_alike_wherever_it_is_named(study: Readings) -> None:
    unnamed = Labels.of(np.where(study.subject.is_("S03"), "", study.visit.texts))
    labels = replace(study, visit=unnamed).examination
    rows = zip(study.subject.texts, study.side.texts, unnamed.texts, strict=True)
    assert labels.texts.tolist() == [knee_label(*row) for row in rows]


@pytest.mark.parametrize("rule", list(ThresholdRule))
def test_flags_and_grades_of_columns_are_those_of_single_values(rule: ThresholdRule) -> None:
    conventions = Conventions(threshold_rule=rule)
    values = np.array([1.9, 2.0, 3.0, 3.0 + 4e-13, 3.0 - 4e-13, 3.1, 5.0, 4.9, -1.0])
    rows = [(f"S{n}", "1", "A", 1, value) for n, value in enumerate(values.tolist())]
    found = replace(readings(*rows), conventions=conventions)
    assert found.flag.tolist() == [float(flag(value, conventions)) for value in values.tolist()]
    assert found.grade.tolist() == [float(grade(value)) for value in values.tolist()]

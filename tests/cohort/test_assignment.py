"""Plans of a reader study, and where readers have to be heard again."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from pathlib import Path, PurePath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.assignment import Plan, key_csv, plan_readings, work_list_csv
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.errors import UsageError
from meniscal_measure.reading_order import HIDDEN_PART
from meniscal_measure.review.worklist import open_worklist

LANDMARKS = PurePath("landmarks")


def knees(count: int) -> list[Entry]:
    return [
        Entry(subject=f"S{n}", path=f"/images/{n}", visit="1", side=Side.LEFT) for n in range(count)
    ]


def plan(count: int = 30, repeats: int = 6, seed: int = 1) -> Plan:
    return plan_readings(knees(count), ["A", "B"], repeats=repeats, seed=seed, landmarks=LANDMARKS)


@given(st.integers(1, 40), st.integers(0, 2**32 - 1), st.data())
def test_every_reader_reads_every_knee_and_the_repeats_twice(
    count: int, seed: int, data: st.DataObject
) -> None:
    repeats = data.draw(st.integers(0, count // HIDDEN_PART))
    found = plan(count, repeats, seed)
    for reader in "AB":
        own = [one.entry for one in found.readings if one.entry.reader == reader]
        times = Counter(entry.subject for entry in own)
        assert set(times) == {f"S{n}" for n in range(count)}
        assert sorted(times.values()) == [1] * (count - repeats) + [2] * repeats
        assert len({entry.key for entry in own}) == count + repeats


def test_a_repeat_comes_at_least_a_third_of_the_list_later() -> None:
    found = plan(30, 10)
    for reader in "AB":
        place = {
            (one.entry.subject, one.entry.repeat): one.order
            for one in found.readings
            if one.entry.reader == reader
        }
        gaps = [place[subject, 2] - place[subject, 1] for subject, n in place if n == 2]
        assert len(gaps) == 10
        assert min(gaps) > 30 // HIDDEN_PART


def test_the_seed_gives_the_plan_again_and_another_one_does_not() -> None:
    assert plan(seed=5) == plan(seed=5)
    assert plan(seed=5).readings != plan(seed=6).readings


def test_readers_get_different_orders() -> None:
    found = plan()
    orders = [
        [one.entry.subject for one in found.readings if one.entry.reader == reader]
        for reader in "AB"
    ]
    assert orders[0] != orders[1]


def test_a_work_list_tells_neither_subject_nor_repeat() -> None:
    found = plan()
    rows = list(csv.DictReader(io.StringIO(work_list_csv(found, "A", Path("coded")))))
    assert set(rows[0]) == {"knee", "study", "side"}
    assert len({row["knee"] for row in rows}) == len(rows) == 36
    expected = [one.code for one in found.readings if one.entry.reader == "A"]
    assert [row["knee"] for row in rows] == expected
    assert [row["study"] for row in rows] == [f"coded/A/{code}" for code in expected]


def test_the_review_page_opens_a_work_list(tmp_path: Path) -> None:
    path = tmp_path / "A.csv"
    given = plan(3, 1)
    for one in given.readings:
        (tmp_path / "coded" / one.entry.reader / one.code).mkdir(parents=True)
    path.write_text(work_list_csv(given, "A", tmp_path / "coded"))
    opened = open_worklist(path)
    assert len(opened) == 4
    assert {knee.side for knee in opened} == {Side.LEFT}


def test_landmarks_go_into_a_folder_for_each_reader() -> None:
    one = plan().readings[0]
    assert one.entry.landmarks == f"landmarks/A/{one.code}.json"


def test_the_key_opens_every_code_and_keeps_the_seed() -> None:
    found = plan(seed=77)
    rows = list(csv.DictReader(io.StringIO(key_csv(found))))
    assert len(rows) == len(found.readings)
    assert {row["seed"] for row in rows} == {"77"}
    assert sum(row["repeat"] == "2" for row in rows) == 12


def test_excluded_knees_are_not_handed_out() -> None:
    given_out = plan_readings(
        [*knees(3), Entry(subject="X", path="", exclude="metal")],
        ["A"],
        repeats=0,
        seed=1,
        landmarks=LANDMARKS,
    )
    assert {entry.subject for entry in given_out.entries} == {"S0", "S1", "S2"}


def test_the_methods_sentence_counts_what_was_done() -> None:
    assert plan().sentence == (
        "2 readers each were given 30 knees in an order drawn at random for each, under codes and"
        " with coded folders of images that show neither subject nor visit; 6 of them were given to"
        " each reader a second time under another code (seed 1)."
    )
    twice = [replace(knee, visit=visit) for knee in knees(12) for visit in ("1", "2")]
    found = plan_readings(twice, ["A"], repeats=0, seed=1, landmarks=LANDMARKS)
    assert "each were given 24 examinations of 12 knees in an order" in found.sentence


def test_more_repeats_than_can_be_hidden_are_refused() -> None:
    with pytest.raises(UsageError, match="ask for at most 10"):
        plan(30, 11)


@pytest.mark.parametrize("readers", [[], ["A", "A"]])
def test_readers_missing_or_named_twice_are_refused(readers: list[str]) -> None:
    with pytest.raises(UsageError, match="each named once"):
        plan_readings(knees(3), readers, repeats=0, seed=1, landmarks=LANDMARKS)

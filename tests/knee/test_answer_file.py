"""One answer at a time in the file of a case: nothing else in it changes, and nothing is lost."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.errors import InputError, UnreadableFileError
from meniscal_measure.knee.answer_file import record_answer
from meniscal_measure.knee.answers import LandmarkAnswer, RootSign, Seen, read_answers

BY_HAND = """\
# A case of ours.
[case]
side = "left"  # from the referral

[facts]
# Age in years?
# age_years =

[tunnel]
diameter_mm = 5

[[landmark]]
name = "tunnel_entry"
plane = "sagittal"
slice = "instance:7"
pixel = [100, 120]
"""

TEAR = {"plane": "axial", "slice": "instance:3", "pixel": [1.25, 3.0], "by": "AB"}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "answers.toml"
    path.write_text(BY_HAND)
    return path


def test_what_was_written_by_hand_stays(file: Path) -> None:
    record_answer(file, "facts.age_years", 54, "AB")
    record_answer(file, "sign.ghost", {"seen": "present", "by": "AB"}, "AB")
    answers = record_answer(file, "landmark.tear", TEAR, "AB")

    text = file.read_text()
    assert [line for line in BY_HAND.splitlines() if line not in text] == []
    assert answers == read_answers(file)
    assert answers.facts.age_years == 54
    assert answers.sign[RootSign.GHOST].seen is Seen.PRESENT
    assert [landmark.name for landmark in answers.landmark] == ["tunnel_entry", "tear"]


def test_a_second_answer_takes_the_place_of_the_first(file: Path) -> None:
    record_answer(file, "landmark.tear", TEAR, "AB")
    answers = record_answer(file, "landmark.tear", {**TEAR, "pixel": [9.0, 9.5]}, "CD")
    (tear,) = (landmark for landmark in answers.landmark if landmark.name == "tear")
    assert tear.pixel == (9.0, 9.5)


def test_an_answer_that_is_taken_back_leaves_its_question_open(file: Path) -> None:
    before = read_answers(file)
    for key, value in (
        ("sign.cleft", {"seen": "absent", "by": "AB"}),
        ("landmark.tear", TEAR),
        ("case.tear_form", "complete_radial"),
    ):
        record_answer(file, key, value, "AB")
        assert record_answer(file, key, None, "AB") == before


def test_the_log_names_who_said_what(file: Path) -> None:
    record_answer(file, "facts.age_years", 54, "AB")
    record_answer(file, "facts.age_years", None, "Dr Ü")
    lines = [json.loads(line) for line in file.with_suffix(".log").read_text().splitlines()]
    assert [(line["key"], line["answer"], line["by"]) for line in lines] == [
        ("facts.age_years", 54, "AB"),
        ("facts.age_years", None, "Dr Ü"),
    ]


@pytest.mark.parametrize(
    ("key", "value", "why"),
    [
        ("facts.age_years", 5000, "<= 110"),
        ("facts.cartilage_grade", 2.5, "Expected `int"),
        ("sign.ghost", {"seen": "perhaps"}, "perhaps"),
        ("sign.nothing", {"seen": "present"}, "nothing"),
        ("landmark.tear", {"slice": "1"}, "pixel"),
    ],
)
def test_what_is_not_allowed_is_refused_and_nothing_is_written(
    file: Path, key: str, value: Any, why: str
) -> None:
    with pytest.raises(InputError, match=why):
        record_answer(file, key, value, "AB")
    assert file.read_text() == BY_HAND
    assert not file.with_suffix(".log").exists()


def test_a_file_that_is_no_toml_is_left_as_it_is(file: Path) -> None:
    file.write_text("[case\n")
    with pytest.raises(UnreadableFileError, match="cannot be read as TOML"):
        record_answer(file, "facts.age_years", 54, "AB")
    assert file.read_text() == "[case\n"


def test_a_mark_of_byte_order_is_no_hindrance(file: Path) -> None:
    file.write_bytes(b"\xef\xbb\xbf" + BY_HAND.encode())  # as an editor of Windows writes it
    assert record_answer(file, "facts.age_years", 54, "AB").facts.age_years == 54


NAMES = st.sampled_from(["tear", "cleft_edge_a", "posterior_horn"])
PIXELS = st.tuples(st.floats(-0.5, 511.5), st.floats(-0.5, 511.5)).map(list)
READERS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=9)


@given(steps=st.lists(st.tuples(NAMES, st.none() | PIXELS, READERS), max_size=8))
def test_the_newest_answer_to_each_question_counts(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, list[float] | None, str]]
) -> None:
    file = tmp_path_factory.mktemp("case") / "answers.toml"
    expected: dict[str, LandmarkAnswer] = {}
    for name, pixel, by in steps:
        value = None if pixel is None else {"slice": "1.2", "pixel": pixel, "by": by}
        found = record_answer(file, f"landmark.{name}", value, by)
        expected.pop(name, None)
        if pixel is not None:
            expected[name] = LandmarkAnswer(name=name, slice="1.2", pixel=tuple(pixel), by=by)  # type: ignore[arg-type]
        assert {each.name: each for each in found.landmark} == expected

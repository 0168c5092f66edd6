from __future__ import annotations

import json
import pickle
from dataclasses import replace

import pytest

from meniscal_measure.errors import GeometryError, LandmarkError
from meniscal_measure.findings import Code, Finding, Severity
from meniscal_measure.sentences import PRIVATE, SLICE, fields_of
from tests.handmade_findings import NAME, example


def from_one(index: int) -> str:
    return str(index + 1)


@pytest.mark.parametrize("code", Code)
def test_what_identifies_is_left_out_of_every_finding(code: Code) -> None:
    found = example(code)
    for said in (
        found.words(identifiers=False),
        json.dumps(found.without_identifiers().to_json()),
    ):
        assert NAME not in said


@pytest.mark.parametrize("code", Code)
def test_every_finding_is_the_same_after_json(code: Code) -> None:
    for found in (example(code), replace(example(code), where=3)):
        assert Finding.from_json(json.loads(json.dumps(found.to_json()))) == found


@pytest.mark.parametrize("code", Code)
def test_every_finding_is_a_sentence(code: Code) -> None:
    assert code.sentence[-1] in ".})"
    assert code.sentence[0].isupper() or code.sentence[0] == "{"
    assert code.word == code.word.lower()


def test_only_what_no_number_depends_on_is_a_note() -> None:
    """All else is a warning, in every output."""
    assert {code for code in Code if code.severity is Severity.NOTE} == {
        Code.SEVERAL_STACKS,
        Code.MIXED_SIZES,
        Code.TRAINED_ON_DRAWN_KNEES,
        Code.UNEQUAL_SPACINGS,
        Code.ASSUMED_PLACEMENT_SD,
        Code.SLICE_NOT_ACCEPTED,
        Code.SLICE_ONLY_PROPOSED,
        Code.SLICE_LEFT_OUT,
    }


def test_a_text_of_the_header_or_of_a_reader_is_private_in_every_finding() -> None:
    private = {
        (code, name) for code in Code for name, kind in fields_of(code.sentence) if kind == PRIVATE
    }
    assert private == {
        (Code.SEVERAL_EXAMINATIONS, "date"),
        (Code.SIDE_HINTED, "text"),
        (Code.SIDE_AGAINST_TEXT, "text"),
        (Code.SIDE_CORRECTED, "reason"),
        (Code.SIDE_CODE_OF_NO_KNEE, "code"),
        (Code.AS_WRITTEN, "text"),
    }


def test_a_finding_with_other_values_than_its_sentence_is_refused() -> None:
    for values in ({"number": 3}, {}, {"count": 3, "number": 3}):
        with pytest.raises(ValueError, match="duplicates needs the values"):
            Finding(Code.DUPLICATES, values)


def test_findings_can_be_gathered_in_a_set() -> None:
    assert len({Finding(Code.UNEVEN_GAPS, {"least_mm": 3.0, "most_mm": 3.5}) for _ in "ab"}) == 1


def test_slices_are_counted_from_where_the_reader_counts() -> None:
    values = {"gap_mm": 6.0, "before": 2, "after": 3, "usual_mm": 3.0}
    found = Finding(Code.MISSING_SLICES, values)
    assert {name for name, kind in fields_of(found.code.sentence) if kind == SLICE} == {
        "before",
        "after",
    }
    assert "between slices 2 and 3" in found.words()
    assert "between slices 3 and 4" in found.words(slice_name=from_one)
    assert Finding(Code.NO_NEIGHBOUR, where=4).words(slice_name=from_one).startswith("Slice 5: ")


def test_a_warning_of_schema_version_1_is_read_as_it_was_written() -> None:
    found = Finding.from_json("uneven gaps: 3.00 to 3.50 mm between slices")
    assert found.code is Code.AS_WRITTEN
    assert str(found).endswith("uneven gaps: 3.00 to 3.50 mm between slices")


def test_a_code_of_a_later_version_keeps_its_words() -> None:
    found = Finding.from_json(
        {"code": "of_tomorrow", "severity": "note", "slice": None, "text": "New.", "values": {}}
    )
    assert str(found).endswith("New.")


def test_an_error_names_the_file_only_where_names_may_stand() -> None:
    error = GeometryError("{file:private} holds no {what}.", file=NAME, what="spacing")
    assert str(error) == f"{NAME} holds no spacing."
    assert error.words(identifiers=False) == "[left out] holds no spacing."


def test_places_stand_in_front_of_an_error_and_not_in_its_reason() -> None:
    error = LandmarkError("medial_rim {is outside}")
    error.within("Slice {slice:slice}", slice=3).within("{file:private}", file=NAME)
    assert str(error) == f"{NAME}: Slice 3: medial_rim {{is outside}}"
    assert error.words(identifiers=False, slice_name=from_one) == (
        "[left out]: Slice 4: medial_rim {is outside}"
    )
    assert str(error.reason) == "medial_rim {is outside}"


def test_an_error_stands_as_a_value_in_another_one() -> None:
    inner = GeometryError("{file:private} is empty", file=NAME)
    outer = GeometryError("Nothing usable: {why}.", why=inner)
    assert str(outer) == f"Nothing usable: {NAME} is empty."
    assert outer.words(identifiers=False) == "Nothing usable: [left out] is empty."


def test_an_error_keeps_its_values_from_one_process_to_another() -> None:
    error = GeometryError("{file:private} is empty", file=NAME).within("In {n}", n=1)
    copied = pickle.loads(pickle.dumps(error))
    assert str(copied) == str(error)
    assert copied.words(identifiers=False) == "In 1: [left out] is empty"

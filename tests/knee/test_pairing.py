"""Two examinations of one knee, the earlier one first: anything else is refused with the reason."""

from __future__ import annotations

from dataclasses import replace

import pytest

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import InputError, SideError
from meniscal_measure.knee.pairing import KneeIdentity, check_pair

FIRST = KneeIdentity(Side.RIGHT, "K-17", "2.25.1", "20260110")
LATER = KneeIdentity(Side.RIGHT, "K-17", "2.25.2", "20260709")


def test_two_examinations_of_one_knee_are_a_pair() -> None:
    assert check_pair(FIRST, LATER) == ()


@pytest.mark.parametrize(
    ("changed", "error", "why"),
    [
        ({"side": Side.LEFT}, SideError, "a right knee and the follow-up a left one"),
        ({"side": None}, SideError, "not known at both examinations"),
        ({"patient_id": "K-18"}, InputError, "of patient K-17 and the follow-up of K-18"),
        ({"study_date": "20260109"}, InputError, "1 days before the baseline"),
        ({"study_instance_uid": "2.25.1"}, InputError, "are the same study"),
    ],
    ids=["other side", "no side", "other patient", "before", "same study"],
)
def test_what_is_no_pair_is_refused(
    changed: dict[str, object], error: type[InputError], why: str
) -> None:
    with pytest.raises(error, match=why):
        check_pair(FIRST, replace(LATER, **changed))  # type: ignore[arg-type]


def test_the_patients_stay_unnamed_where_identifiers_are_left_out() -> None:
    with pytest.raises(InputError) as refused:
        check_pair(FIRST, replace(LATER, patient_id="K-18"))
    assert "K-1" not in refused.value.words(identifiers=False)


def test_what_the_images_do_not_say_is_said() -> None:
    silent = replace(LATER, patient_id="", study_date="", study_instance_uid="")
    assert check_pair(FIRST, silent) == (
        "Not checked: that both examinations are of one patient (no Patient ID).",
        "Not checked: which examination was first (no Study Date).",
    )


def test_two_examinations_of_one_day_are_in_no_order_that_is_known() -> None:
    same_day = replace(LATER, study_date=FIRST.study_date)
    assert check_pair(FIRST, same_day) == (
        "Not checked: which examination was first (one Study Date).",
    )


def test_names_are_compared_where_an_id_is_missing() -> None:
    first = replace(FIRST, patient_id="", patient_name="DOE^Jane")
    assert check_pair(first, replace(LATER, patient_name="Doe Jane"))
    with pytest.raises(InputError, match="two examinations of one patient"):
        check_pair(first, replace(LATER, patient_name="DOE^Mary"))


def test_another_name_under_one_id_is_remarked_on() -> None:
    first = replace(FIRST, patient_name="DOE^Jane")
    assert check_pair(first, replace(LATER, patient_name="Doe Jane")) == ()
    (remark,) = check_pair(first, replace(LATER, patient_name="ROE^Mary"))
    assert "names are two" in remark
    assert "ROE" not in remark  # the sheet may be without identifiers


def test_patients_born_on_different_days_are_two() -> None:
    first = replace(FIRST, birth_date="19700102")
    assert check_pair(first, replace(LATER, birth_date="19700102")) == ()
    assert check_pair(first, LATER) == ()  # which does not state it
    with pytest.raises(InputError, match="born on 19700102 and the follow-up of one born on 1971"):
        check_pair(first, replace(LATER, birth_date="19710102"))

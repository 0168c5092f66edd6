"""What is asked of a person: nothing twice, on the plane it is seen on, in words to choose from."""

from __future__ import annotations

import tomllib

import pytest

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, Root, answers_from
from meniscal_measure.knee.named_landmarks import KneeLandmark
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.questions import (
    answers_template,
    landmark_questions,
    open_questions,
    sign_looks,
)
from meniscal_measure.slice_name import SliceName

ALL = tuple(Plane(name) for name in ("coronal", "sagittal", "axial"))


@pytest.mark.parametrize("root", list(Root))
def test_every_landmark_asked_for_exists_and_is_asked_for_once(root: Root) -> None:
    names = [asked.name for asked in landmark_questions(root)]
    assert set(names) <= set(KneeLandmark)
    assert len(names) == len(set(names))
    apex = f"{root.compartment.value}_eminence_apex"
    assert [name for name in names if name.endswith("eminence_apex")] == [apex]


def test_what_is_answered_is_not_asked_again() -> None:
    answered = answers_from(
        {
            "sign": {"ghost": {"seen": "absent"}},
            "case": {"tear_form": "partial"},
            "facts": {"age_years": 50},
            "landmark": [{"name": "tear", "slice": "3", "plane": "axial", "pixel": [1, 2]}],
        },
        "answers.toml",
    )
    before = {question.key for question in open_questions(Answers(), ALL)}
    after = {question.key for question in open_questions(answered, ALL, ["body_mass_index"])}
    assert before - after == {
        "sign.ghost", "case.tear_form", "facts.age_years", "landmark.tear", "facts.body_mass_index",
    }  # fmt: skip


def test_landmarks_of_a_missing_plane_are_not_asked_for() -> None:
    asked = open_questions(Answers(), [Plane.CORONAL])
    assert {q.plane for q in asked if q.key.startswith("landmark.")} == {Plane.CORONAL}


def test_the_choices_of_a_question_are_what_the_answers_take() -> None:
    for question in open_questions(Answers(), ALL):
        table, _, name = question.key.partition(".")
        for choice in question.choices:
            value = {"seen": choice} if table == "sign" else choice
            answers_from({table: {name: value}}, "answers.toml")


def test_a_sign_is_looked_for_on_the_plane_it_is_seen_on() -> None:
    """Sagittal void and axial defect: Choi 2012, Knee Surg Sports Traumatol Arthrosc 20:2098."""
    looks = {sign.value: plane for sign, (plane, _) in sign_looks(Root.MEDIAL_POSTERIOR).items()}
    assert looks["ghost"] is Plane.SAGITTAL
    assert looks["radial"] is Plane.AXIAL
    assert looks["truncation"] is Plane.CORONAL
    assert "extrusion" not in looks


def test_the_template_names_the_slice_to_look_on_and_is_read_back() -> None:
    where = TracedSlice(Plane.SAGITTAL, SliceName(9, 24, 16), "1.2.3")
    questions = open_questions(Answers(), ALL, likely={"landmark.posterior_horn": where})
    text = answers_template(questions)
    assert "Where is the posterior horn? Try sagittal slice 9, image 16." in text
    assert answers_from(tomllib.loads(text), "answers.toml") == Answers()


def test_a_landmark_is_asked_for_in_the_words_of_the_trade() -> None:
    texts = {question.key: question.text for question in open_questions(Answers(), ALL)}
    assert texts["landmark.medial_eminence_apex"] == "Where is the medial eminence apex?"
    assert texts["landmark.cleft_edge_a"] == "Where is the edge of the cleft on one side?"
    assert not [text for text in texts.values() if "_" in text or text.endswith((" a?", " b?"))]

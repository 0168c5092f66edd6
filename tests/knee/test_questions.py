"""What is asked of a person: little at first, nothing twice, more where a sign calls for it."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

import pytest

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, Root, Topic, answers_from
from meniscal_measure.knee.answers_template import answers_template
from meniscal_measure.knee.limb import LimbLandmark
from meniscal_measure.knee.named_landmarks import KneeLandmark
from meniscal_measure.knee.projection import BALL_EDGES
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.questions import Available, CaseQuestioning
from meniscal_measure.knee.topics import TOPICS, sign_looks, topics_of
from meniscal_measure.slice_name import SliceName

PLANES = tuple(Plane(name) for name in ("coronal", "sagittal", "axial"))
RADIOGRAPH = TracedSlice(None, SliceName(1, 1, 1), "1.2.9")
EVERYTHING = Available(PLANES, PLANES, RADIOGRAPH)
RIMS = ("landmark.medial_plateau_rim", "landmark.lateral_plateau_rim")


def said(**answers: Any) -> Answers:
    return answers_from(answers, "answers.toml")


def keys(answers: Answers, available: Available = EVERYTHING, known: Sequence[str] = ()
         ) -> list[str]:  # fmt: skip
    return [question.key for question in CaseQuestioning(answers, available, known).open()]


def test_a_fresh_case_asks_what_decides_and_the_facts() -> None:
    assert keys(Answers(), known=RIMS) == [
        "landmark.medial_eminence_apex",
        "sign.ghost", "sign.cleft", "sign.radial", "sign.truncation", "sign.marrow_oedema",
        "facts.age_years", "facts.body_mass_index", "facts.tear_age_days",
        "facts.radiographic_grade", "facts.cartilage_grade", "facts.varus_deg",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("sign", "asked"),
    [
        ("ghost", ["posterior_horn", "horn_beside_a", "horn_beside_b"]),
        ("cleft", ["cleft_edge_a", "cleft_edge_b", "root_attachment"]),
        ("radial", ["cleft_edge_a", "cleft_edge_b", "root_attachment"]),
        ("truncation", ["posterior_horn_edge", "horn_free_edge"]),
        ("marrow_oedema", ["footprint_marrow", "reference_marrow"]),
    ],
)
@pytest.mark.parametrize("seen", ["present", "uncertain"])
def test_a_sign_that_is_seen_calls_for_its_landmarks(
    sign: str, asked: list[str], seen: str
) -> None:
    found = keys(said(sign={sign: {"seen": seen}}))
    assert [key.removeprefix("landmark.") for key in found if key.startswith("landmark.")] == [
        "medial_plateau_rim", "lateral_plateau_rim", "medial_eminence_apex", *asked,
    ]  # fmt: skip
    assert ("case.tear_form" in found) == (sign != "marrow_oedema")


def test_absent_signs_call_for_nothing() -> None:
    absent = said(sign={sign: {"seen": "absent"} for sign in ("ghost", "cleft", "radial")})
    assert set(keys(absent)) < set(keys(Answers()))


@pytest.mark.parametrize("topic", list(Topic))
def test_a_topic_is_offered_until_it_is_wanted(topic: Topic) -> None:
    offered = {each.topic: each.count for each in CaseQuestioning(Answers(), EVERYTHING).offered()}
    wanted = said(case={"also": [topic.value]})
    more = set(keys(wanted)) - set(keys(Answers()))
    assert len(more) == offered[topic]
    assert topic not in {each.topic for each in CaseQuestioning(wanted, EVERYTHING).offered()}


def test_a_topic_that_is_begun_is_asked_to_its_end() -> None:
    mark = {"name": "medial_plateau_front", "slice": "3", "plane": "sagittal", "pixel": [1, 2]}
    assert "landmark.shaft_centre_upper" in keys(said(landmark=[mark]))


def test_a_landmark_of_the_follow_up_is_not_one_of_the_baseline() -> None:
    mark = {"name": "medial_eminence_apex", "slice": "3", "plane": "sagittal", "pixel": [1, 2]}
    found = keys(said(case={"also": ["follow_up"]}, landmark=[mark | {"visit": "follow_up"}]))
    assert "landmark.medial_eminence_apex" in found
    assert "follow_up.medial_eminence_apex" not in found
    assert "follow_up.tunnel_aperture" in found


def test_nothing_is_asked_twice() -> None:
    everything = said(
        case={"also": [topic.value for topic in Topic]},
        sign={"ghost": {"seen": "present"}, "cleft": {"seen": "present"}},
    )
    found = keys(everything)
    assert len(found) == len(set(found))
    assert "facts.varus_deg" not in found  # the leg gives it


def test_what_is_answered_is_not_asked_again() -> None:
    answered = said(
        sign={"ghost": {"seen": "absent"}},
        facts={"age_years": 50},
        landmark=[{"name": "medial_eminence_apex", "slice": "3", "plane": "sagittal",
                   "pixel": [1, 2]}],
    )  # fmt: skip
    known = ["facts.body_mass_index"]
    assert set(keys(Answers())) - set(keys(answered, known=known)) == {
        "sign.ghost", "facts.age_years", "landmark.medial_eminence_apex", *known,
    }  # fmt: skip


def test_the_page_lists_what_is_answered_too() -> None:
    answered = said(sign={"ghost": {"seen": "absent"}}, facts={"varus_deg": 3.0})
    every = [question.key for question in CaseQuestioning(answered, EVERYTHING).every()]
    assert {"sign.ghost", "facts.varus_deg"} <= set(every)


def test_landmarks_are_asked_for_only_where_there_are_images() -> None:
    everything = said(case={"also": [topic.value for topic in Topic]})
    asked = CaseQuestioning(everything, Available([Plane.CORONAL])).open()
    assert {q.plane for q in asked if "landmark." in q.key} == {Plane.CORONAL}
    assert not [q for q in asked if q.key.startswith(("follow_up.", "radiograph."))]


@pytest.mark.parametrize("root", list(Root))
def test_every_landmark_asked_for_exists(root: Root) -> None:
    names = [mark.name for topic in topics_of(root).values() for mark in topic.landmarks]
    assert set(names) <= {*KneeLandmark, *LimbLandmark, *BALL_EDGES}
    assert set(topics_of(root)) == set(Topic)


def test_the_choices_of_a_question_are_what_the_answers_take() -> None:
    for question in CaseQuestioning(said(sign={"cleft": {"seen": "present"}}), EVERYTHING).every():
        table, _, name = question.key.partition(".")
        for choice in question.choices:
            value = {"seen": choice} if table == "sign" else choice
            said(**{table: {name: value}})


def test_a_sign_is_looked_for_on_the_plane_it_is_seen_on() -> None:
    """Sagittal void and axial defect: Choi 2012, Knee Surg Sports Traumatol Arthrosc 20:2098."""
    looks = {sign.value: plane for sign, (plane, _) in sign_looks(Root.MEDIAL_POSTERIOR).items()}
    assert looks["ghost"] is Plane.SAGITTAL
    assert looks["radial"] is Plane.AXIAL
    assert looks["truncation"] is Plane.CORONAL
    assert "extrusion" not in looks


def test_the_template_names_the_slice_to_look_on_and_is_read_back() -> None:
    where = TracedSlice(Plane.SAGITTAL, SliceName(9, 24, 16), "1.2.3")
    wanted = said(case={"also": ["ghost", "leg", "follow_up", "ball"]})
    asked = CaseQuestioning(wanted, EVERYTHING, likely={"landmark.posterior_horn": where})
    text = answers_template(asked.open(), "1.2", asked.offered())
    assert "Where is the posterior horn? Try sagittal slice 9, image 16." in text
    assert '# name = "hip_centre"\n# slice = "1.2.9"' in text
    assert '# name = "tunnel_aperture"\n# visit = "follow_up"' in text
    assert f"#   slope: {TOPICS[Topic.SLOPE].words} (6)" in text
    assert answers_from(tomllib.loads(text), "answers.toml") == said(case={"study": "1.2"})


def test_a_landmark_is_asked_for_in_the_words_of_the_trade() -> None:
    everything = said(case={"also": [topic.value for topic in Topic]})
    texts = {q.key: q.text for q in CaseQuestioning(everything, EVERYTHING).every()}
    assert texts["landmark.medial_eminence_apex"] == "Where is the medial eminence apex?"
    assert texts["landmark.cleft_edge_a"] == "Where is the edge of the cleft on one side?"
    assert texts["follow_up.tunnel_aperture"] == "Where is the tunnel aperture at follow-up?"
    assert not [text for text in texts.values() if "_" in text or text.endswith((" a?", " b?"))]

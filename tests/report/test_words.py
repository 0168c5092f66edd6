from __future__ import annotations

from dataclasses import replace

import pytest

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import Origin
from meniscal_measure.caliper.reading import (
    Conventions,
    Decision,
    Extrusion,
    ThresholdRule,
)
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.report import words
from meniscal_measure.series.side import CORRECTED
from tests.handmade_readings import MakeCase


def extrusion(value: float, *, flag: bool = False, probability: float = 0.5) -> Extrusion:
    return Extrusion(
        extrusion_mm=value,
        u_mm=0.3,
        interval95_mm=(value - 0.6, value + 0.6),
        budget=(),
        probability_above_threshold=probability,
        flag=flag,
        decision=Decision.UNDECIDED,
        grade=2,
    )


def test_a_value_is_written_with_its_expanded_uncertainty() -> None:
    assert words.value_words(extrusion(4.204)) == "4.20 ± 0.60 mm"


@pytest.mark.parametrize(
    ("rule", "flag", "said"),
    [
        (ThresholdRule.ABOVE, False, "exactly 3.0 mm: not flagged by the rule > 3 mm"),
        (ThresholdRule.AT_OR_ABOVE, True, "exactly 3.0 mm: flagged by the rule ≥ 3 mm"),
    ],
)
def test_exactly_the_threshold_names_the_rule(rule: ThresholdRule, flag: bool, said: str) -> None:
    conventions = Conventions(threshold_rule=rule)
    assert words.threshold_remark(extrusion(3.0, flag=flag), conventions) == said


def test_a_value_that_prints_as_the_threshold_shows_its_unrounded_digits() -> None:
    remark = words.threshold_remark(extrusion(3.0004, flag=True), Conventions())
    assert remark == "un-rounded 3.0004 mm: flagged"
    assert words.threshold_remark(extrusion(3.01, flag=True), Conventions()) is None


@pytest.mark.parametrize(("probability", "said"), [(0.0, "< 0.01"), (0.5, "0.50"), (1.0, "> 0.99")])
def test_no_probability_is_printed_as_certain(probability: float, said: str) -> None:
    assert words.probability_words(extrusion(3.0, probability=probability)) == said


def test_undecided_says_what_cannot_be_decided() -> None:
    said = words.decision_words(extrusion(3.1), Conventions())
    assert said == "undecided: 3 mm is within the uncertainty"


def test_an_unknown_side_is_said_and_how_compartments_are_named(make_case: MakeCase) -> None:
    by_image, _ = make_case(side=None, named_by_anatomy=False)
    by_anatomy, _ = make_case(side=None)
    assert words.side_words(by_image) == (
        "SIDE UNKNOWN (no attribute): compartments are named by image side"
    )
    assert words.side_words(by_anatomy) == (
        "SIDE UNKNOWN (no attribute): medial and lateral are as the landmarks were named,"
        " not checked"
    )


def test_the_side_is_given_with_its_source(make_case: MakeCase) -> None:
    reading, _ = make_case()
    assert words.side_words(reading) == "right knee (side from Laterality (0020,0060))"


def test_the_reason_of_a_corrected_side_stands_on_no_picture(make_case: MakeCase) -> None:
    reading, _ = make_case()
    source = replace(reading.source, side_source=f"{CORRECTED} (as Doe said)")
    said = words.side_words(replace(reading, source=source))
    assert said == "right knee (side from corrected by the reader)"


def test_a_side_against_the_text_of_the_images_says_so(make_case: MakeCase) -> None:
    text = {"side": "right", "source": "given by the user", "attribute": "StudyDescription"}
    warned = (Finding(Code.SIDE_AGAINST_TEXT, {**text, "text": "left knee of Doe"}),)
    reading = replace(make_case()[0], warnings=warned)
    assert words.side_words(reading) == (
        "right knee (side from Laterality (0020,0060), AGAINST THE TEXT OF THE IMAGES)"
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"origin": Origin.PROPOSED}, "PROPOSED, NOT VERIFIED"),
        ({"origin": Origin.READER}, "NOT VERIFIED"),
        ({"verified": True}, "verified by Dr. Okonjo"),
    ],
)
def test_the_status_says_who_stands_behind_the_landmarks(
    make_case: MakeCase, changes: dict[str, object], said: str
) -> None:
    reading, _ = make_case(**changes)
    assert words.status_words(reading).startswith(said)


def test_the_status_names_every_landmark_that_was_placed_by_hand(make_case: MakeCase) -> None:
    reading, _ = make_case(origin=Origin.PROPOSED)
    compartments = dict(reading.measured.compartments)
    for name, landmark in (
        (Compartment.MEDIAL, Landmark.OUTER_EDGE),
        (Compartment.LATERAL, Landmark.RIM),
    ):
        found = compartments[name]
        by_hand = replace(found.landmarks[landmark], origin=Origin.READER)
        compartments[name] = replace(found, landmarks={**found.landmarks, landmark: by_hand})
    measured = replace(reading.measured, compartments=compartments)
    said = words.status_words(replace(reading, measured=measured))
    assert "lateral rim, medial outer edge placed by hand, the others proposed" in said


def test_a_verified_reading_without_a_name_is_still_called_verified(make_case: MakeCase) -> None:
    reading, _ = make_case(verified=True)
    nameless = without_identifiers(reading)
    assert words.status_words(nameless) == "verified by a reader (name left out)"


def test_a_patient_position_is_written_with_direction_letters() -> None:
    assert words.patient_words((2.0, -5.06, 3.0)) == "L 2.0 A 5.1 H 3.0 mm"


def test_both_compartments_are_shown_even_when_one_was_not_measured(make_case: MakeCase) -> None:
    reading, _ = make_case(left_mm=None)
    assert reading.named_compartments == (Compartment.MEDIAL, Compartment.LATERAL)
    by_image, _ = make_case(right_mm=None, side=None, named_by_anatomy=False)
    assert by_image.named_compartments == (Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT)

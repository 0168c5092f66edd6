"""Reading, signing and rejecting at the desk: what is measured, and what the record says."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import meniscal_measure
from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import Origin
from meniscal_measure.caliper.reading import Conventions, Reading
from meniscal_measure.errors import StaleStateError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.journal import Signing, Verdict
from meniscal_measure.records.schema import schema
from meniscal_measure.report import words
from meniscal_measure.review.desk import Desk, OpenTask
from meniscal_measure.review.knee import open_knee, with_proposal
from meniscal_measure.review.measuring import measure_live, measure_state, snap_landmark
from meniscal_measure.review.present import measured_on_page
from meniscal_measure.review.signing import reject, reject_unopened
from meniscal_measure.review.state import PixelLandmark, Quality, State
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import OpenDesk, SignAsShown, with_landmarks

TRUTH_MM = 3.0
"""Medial extrusion of the sample `exactly-3mm`."""
EXACT_MM = 1e-6
EDGE_COLUMN = 60.3
"""Left edge of the painted study."""
SNAPPED_PX = 0.02


def place_of(desk: Desk, reader: str = "AB", at: int = 0) -> OpenTask:
    return desk.place(reader, desk.tasks(reader)[at]["id"])


def state_of(desk: Desk, place: OpenTask) -> State:
    return desk.state(place, json.loads(desk.begin(place).state))


def change(desk: Desk, place: OpenTask, state: State) -> int:
    revision = desk.begin(place).revision
    return desk.drafts.change(place.draft, revision, json.dumps(state.as_dict())).revision


def signed(outcome: Signing | str) -> Signing:
    assert isinstance(outcome, Signing), outcome
    return outcome


def reading_of(desk: Desk, place: OpenTask, state: State) -> Reading:
    measured = measure_state(place.shown, state, desk.terms.conventions)
    assert measured.reading is not None, measured.message
    return measured.reading


def moved(state: State, name: str, by_px: float) -> State:
    landmarks = dict(state.landmarks[state.slice_index])
    column, row = landmarks[name].pixel
    landmarks[name] = PixelLandmark((column + by_px, row))
    return with_landmarks(state, state.slice_index, landmarks)


@pytest.fixture
def desk(open_desk: OpenDesk) -> Desk:
    return open_desk("exactly-3mm")


def test_a_proposal_measures_the_truth_before_anything_is_touched(desk: Desk) -> None:
    place = place_of(desk)
    reading = reading_of(desk, place, state_of(desk, place))

    assert reading.medial is not None
    assert reading.medial.extrusion.extrusion_mm == pytest.approx(TRUTH_MM, abs=EXACT_MM)


def test_a_live_value_is_the_full_value_of_its_slice(desk: Desk) -> None:
    place = place_of(desk)
    state = state_of(desk, place)
    full = reading_of(desk, place, state)
    live = measure_live(place.shown, state, desk.terms.conventions, state.slice_index).reading
    beside = full.neighbours[0]
    live_beside = measure_live(
        place.shown, state, desk.terms.conventions, beside.slice_index
    ).reading

    assert live is not None
    assert live_beside is not None
    assert live.measured == full.measured
    assert live_beside.measured.compartments == beside.compartments


def test_the_page_gets_values_as_numbers_and_slices_as_people_count_them(desk: Desk) -> None:
    place = place_of(desk)
    knee, state = place.shown, state_of(desk, place)
    measured = measure_state(knee, state, desk.terms.conventions)
    assert measured.reading is not None
    left_out = (Finding(Code.SLICE_NOT_ACCEPTED, where=2),)
    shown = measured_on_page(replace(measured, left_out=left_out), knee)

    for one in shown["slices"][str(state.slice_index)]["compartments"]:
        extrusion = measured.reading.measured.compartments[one["compartment"]].extrusion
        low_mm, high_mm = extrusion.interval95_mm
        assert one["extrusion_mm"] == extrusion.extrusion_mm
        assert one["expanded_mm"] == pytest.approx((high_mm - low_mm) / 2)
    assert shown["conventions"] == words.convention_words(measured.reading)
    assert shown["status"] == words.status_words(measured.reading)
    assert shown["warnings"][0].startswith("Slice 3, image 3: ")


def test_the_record_says_what_was_changed_and_keeps_the_proposal(
    desk: Desk, sign_as_shown: SignAsShown
) -> None:
    place = place_of(desk)
    state = replace(state_of(desk, place), quality=(Quality.MOTION,), remark="a little")
    revision = change(desk, place, moved(state, "image_left_outer_edge", -2.0))

    signing = signed(sign_as_shown(desk, place, revision))

    record = signing.record
    jsonschema.validate(record["reading"], schema())
    jsonschema.validate(record["proposal"], schema())
    assert (signing.key.reader, signing.verdict) == ("AB", Verdict.MEASURED)
    assert record["software"] == {
        "name": "meniscal_measure",
        "version": meniscal_measure.__version__,
    }
    assert (record["reading"]["verified"], record["reading"]["verified_by"]) == (True, "AB")
    assert record["proposal"]["verified"] is False
    assert record["extrusion_mm"]["proposed"]["medial"] == pytest.approx(TRUTH_MM, abs=EXACT_MM)
    # Two columns of 0.5 mm outward, along an axis a few degrees off the rows.
    assert record["extrusion_mm"]["signed"]["medial"] == pytest.approx(TRUTH_MM + 1.0, abs=0.01)
    assert [entry["what"] for entry in record["changes"]] == ["quality", "remark", "landmark"]
    assert record["changes"][-1]["name"] == "image_left_outer_edge"
    assert record["changes"][-1]["moved_px"] == pytest.approx(2.0)


def test_signing_again_says_what_changed_since(desk: Desk, sign_as_shown: SignAsShown) -> None:
    place = place_of(desk)
    first = signed(sign_as_shown(desk, place, desk.begin(place).revision))
    revision = change(desk, place, moved(state_of(desk, place), "image_left_outer_edge", 1.0))
    second = signed(sign_as_shown(desk, place, revision))

    assert first.record["changes"] == []
    assert [entry["name"] for entry in second.record["changes"]] == ["image_left_outer_edge"]
    assert [signing.number for signing in desk.journal.all()] == [1, 2]
    assert desk.journal.check() == 2


def test_a_stale_tab_signs_nothing(desk: Desk, sign_as_shown: SignAsShown) -> None:
    place = place_of(desk)
    old = desk.begin(place).revision
    change(desk, place, moved(state_of(desk, place), "image_left_outer_edge", 1.0))

    with pytest.raises(StaleStateError, match=r"changed in another tab"):
        sign_as_shown(desk, place, old)

    assert list(desk.journal.all()) == []


def test_two_readers_sign_the_same_knee_without_touching_each_other(
    desk: Desk, sign_as_shown: SignAsShown
) -> None:
    places = {reader: place_of(desk, reader) for reader in ("AB", "CD")}
    state = state_of(desk, places["AB"])
    change(desk, places["AB"], moved(state, "image_left_outer_edge", -2.0))
    for place in places.values():
        signed(sign_as_shown(desk, place, desk.begin(place).revision))

    values = [signing.record["extrusion_mm"]["signed"]["medial"] for signing in desk.journal.all()]
    assert values == pytest.approx([4.0, 3.0], abs=0.01)


def test_an_unknown_side_must_be_said_before_signing(
    desk: Desk, sign_as_shown: SignAsShown
) -> None:
    place = place_of(desk)
    unknown = replace(place.knee.stack.laterality, side=None, source="unknown")
    stack = replace(place.knee.stack, laterality=unknown)
    knee = replace(place.knee, choice=replace(place.knee.choice, stack=stack))
    place = replace(place, knee=knee, shown=knee)

    refused = sign_as_shown(desk, place, desk.begin(place).revision)
    assert refused == "Say first whether this is a left or a right knee."

    revision = change(desk, place, replace(state_of(desk, place), side=Side.LEFT))
    record = signed(sign_as_shown(desk, place, revision)).record
    assert record["reading"]["source"]["side"] == "left"
    assert record["reading"]["source"]["side_source"] == "given by the user"


def test_a_side_that_contradicts_the_images_is_not_signed(
    desk: Desk, sign_as_shown: SignAsShown
) -> None:
    place = place_of(desk)
    revision = change(desk, place, replace(state_of(desk, place), side=Side.RIGHT))

    assert "side was given as right" in str(sign_as_shown(desk, place, revision))
    assert list(desk.journal.all()) == []


def test_carried_points_must_be_looked_at(desk: Desk, sign_as_shown: SignAsShown) -> None:
    place = place_of(desk)
    state = state_of(desk, place)
    carried = {
        name: replace(point, carried_from=state.slice_index)
        for name, point in state.landmarks[state.slice_index].items()
    }
    there = replace(with_landmarks(state, 0, carried), slice_index=0)

    refused = sign_as_shown(desk, place, change(desk, place, there))

    assert "carried over from another slice: move or accept" in str(refused)
    unseen = measure_state(place.shown, with_landmarks(state, 0, carried), Conventions())
    assert unseen.left_out == (Finding(Code.SLICE_NOT_ACCEPTED, where=0),)


def test_an_unfinished_knee_is_not_signed_and_says_what_is_missing(
    desk: Desk, sign_as_shown: SignAsShown
) -> None:
    place = place_of(desk)
    state = state_of(desk, place)
    landmarks = dict(state.landmarks[state.slice_index])
    del landmarks["image_left_rim"]

    revision = change(desk, place, with_landmarks(state, state.slice_index, landmarks))

    assert "rim" in str(sign_as_shown(desk, place, revision))


def test_a_knee_can_be_rejected_with_a_reason_even_if_it_cannot_be_read(desk: Desk) -> None:
    place = place_of(desk)
    reject_unopened(desk, place.key, "Images cannot be read")
    signing = reject(desk, place, "Other: wrong knee", desk.begin(place).revision)

    assert [entry.verdict for entry in desk.journal.all()] == ["rejected", "rejected"]
    assert signing.record["rejection"] == "Other: wrong knee"
    assert desk.tasks("AB")[0]["status"] == "rejected"
    with pytest.raises(UsageError, match=r"Give the reason"):
        reject_unopened(desk, place.key, "  ")


def test_a_point_is_snapped_onto_the_edge_nearby(
    open_desk: OpenDesk, painted: Callable[..., Path]
) -> None:
    desk = open_desk(painted())
    place = place_of(desk)
    start = {
        "image_left_rim": PixelLandmark((66.0, 100.0)),
        "image_left_outer_edge": PixelLandmark((EDGE_COLUMN + 1.0, 100.0)),
        "image_right_rim": PixelLandmark((200.0, 100.0)),
    }

    point = snap_landmark(
        place.shown, State(5, {5: start}), 5, "image_left_outer_edge", Conventions()
    )

    assert point.pixel == pytest.approx((EDGE_COLUMN, 100.0), abs=SNAPPED_PX)
    assert point.origin is Origin.REFINED


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("image_left_free_edge", r"Only outer edges can be snapped"),
        ("image_left_nowhere", r"no such landmark"),
    ],
)
def test_what_cannot_be_snapped_is_said(desk: Desk, name: str, said: str) -> None:
    place = place_of(desk)
    state = state_of(desk, place)

    with pytest.raises(UsageError, match=said):
        snap_landmark(place.shown, state, state.slice_index, name, Conventions())


def test_a_landmark_file_that_cannot_be_used_is_said_and_the_knee_is_read_without(
    samples: Path, tmp_path: Path
) -> None:
    broken = tmp_path / "landmarks.json"
    broken.write_text("{")
    exchanged = tmp_path / "exchanged.json"
    content: dict[str, Any] = json.loads((samples / "exactly-3mm/landmarks.json").read_text())
    exchanged.write_text(
        json.dumps(content)
        .replace("medial_", "other_")
        .replace("lateral_", "medial_")
        .replace("other_", "lateral_")
        .replace("medial_spine_apex", "chosen_by_reader")
        .replace("lateral_spine_apex", "chosen_by_reader")
    )

    for path, said in ((broken, "not valid JSON"), (exchanged, "Exchange medial and lateral")):
        knee = with_proposal(open_knee(Knee("K", samples / "exactly-3mm", None, path)), None)
        assert knee.proposal is None
        assert said in knee.remark


@pytest.mark.parametrize("reader", ["", " ", "x" * 65, "two\nlines"])
def test_a_reader_needs_a_name(desk: Desk, reader: str) -> None:
    with pytest.raises(UsageError, match=r"name"):
        desk.tasks(reader)


def test_compartments_are_named_by_their_side_while_the_side_is_unknown(desk: Desk) -> None:
    place = place_of(desk)
    unknown = replace(place.knee.stack.laterality, side=None, source="unknown")
    stack = replace(place.knee.stack, laterality=unknown)
    knee = replace(place.knee, choice=replace(place.knee.choice, stack=stack))

    measured = measure_state(knee, state_of(desk, place), Conventions())

    assert measured.reading is not None
    assert set(measured.reading.measured.compartments) == {
        Compartment.IMAGE_LEFT,
        Compartment.IMAGE_RIGHT,
    }

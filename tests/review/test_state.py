"""Working states: what the page sends is checked, and points keep their place in the patient."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import LandmarkSet, SliceConvention
from meniscal_measure.errors import UsageError
from meniscal_measure.review.knee import OpenKnee, open_knee, with_proposal
from meniscal_measure.review.state import first_state, landmark_set, state_from_dict
from meniscal_measure.review.worklist import Knee

ROUND_TRIP_MM = 1e-9
"""To pixels and back; the proposal lies in the plane of its slice."""


@pytest.fixture(params=["exactly-3mm", "rectangular-oblique"])
def knee(request: pytest.FixtureRequest, samples: Path) -> OpenKnee:
    study = samples / request.param
    opened = open_knee(Knee(request.param, study, None, study / "landmarks.json"))
    return with_proposal(opened, None)


def proposal(knee: OpenKnee) -> LandmarkSet:
    assert knee.proposal is not None
    return knee.proposal.landmarks


def test_a_proposal_keeps_its_place_in_the_patient(knee: OpenKnee) -> None:
    state = first_state(proposal(knee), knee.grids)
    back = landmark_set(state, knee.grids, proposal(knee)).measured

    assert knee.laterality.side is not None
    grid = knee.grids[back.slice_index]
    medial_is_left = grid.row_direction[0] * knee.laterality.side.medial_x < 0
    image = {
        Compartment.MEDIAL: Compartment.IMAGE_LEFT if medial_is_left else Compartment.IMAGE_RIGHT
    }
    image[Compartment.LATERAL] = image[Compartment.MEDIAL].opposite
    for compartment, placed in proposal(knee).measured.points.items():
        for landmark, record in placed.items():
            again = back.points[image[compartment]][landmark]
            np.testing.assert_allclose(again.point_mm, record.point_mm, atol=ROUND_TRIP_MM)
            assert (again.sd_mm, again.origin) == (record.sd_mm, record.origin)


def test_the_slice_convention_is_the_readers_once_another_slice_is_chosen(knee: OpenKnee) -> None:
    state = first_state(proposal(knee), knee.grids)
    kept = landmark_set(state, knee.grids, proposal(knee))
    other = state_from_dict({**state.as_dict(), "slice": state.slice_index + 1}, knee.grids)
    chosen = landmark_set(other, knee.grids, proposal(knee))

    assert kept.slice_convention is proposal(knee).slice_convention
    assert chosen.slice_convention is SliceConvention.CHOSEN_BY_READER


def test_without_a_proposal_a_reader_begins_on_the_middle_slice(knee: OpenKnee) -> None:
    state = first_state(None, knee.grids)

    assert state.slice_index == len(knee.grids) // 2
    assert state.landmarks == {}


def test_a_state_survives_the_way_to_the_page_and_back(knee: OpenKnee) -> None:
    state = first_state(proposal(knee), knee.grids)

    assert state_from_dict(json.loads(json.dumps(state.as_dict())), knee.grids) == state


POINT: dict[str, Any] = {
    "pixel": [1.0, 2.0],
    "origin": "reader",
    "sd_mm": 0.2,
    "sd_across_mm": None,
    "carried_from": None,
}


@pytest.mark.parametrize(
    "wrong",
    [
        {"slice": 999},
        {"slice": -1},
        {"slice": True},
        {"landmarks": {"999": {}}},
        {"landmarks": {"0": {"medial_rim": POINT}}},
        {"landmarks": {"0": {"image_left_rim": POINT | {"pixel": [float("nan"), 0]}}}},
        {"landmarks": {"0": {"image_left_rim": POINT | {"pixel": [1.0]}}}},
        {"landmarks": {"0": {"image_left_rim": POINT | {"sd_mm": -0.1}}}},
        {"landmarks": {"0": {"image_left_rim": POINT | {"origin": "guessed"}}}},
        {"landmarks": []},
        {"side": "both"},
        {"quality": ["ugly"]},
        {"remark": "x" * 2001},
        {"remark": 7},
    ],
)
def test_a_state_that_makes_no_sense_is_refused(knee: OpenKnee, wrong: dict[str, Any]) -> None:
    good = first_state(proposal(knee), knee.grids).as_dict()

    with pytest.raises(UsageError, match=r"What the page sent is not a working state"):
        state_from_dict({**good, **wrong}, knee.grids)


@pytest.mark.parametrize(
    "missing", ["slice", "landmarks", "side", "side_reason", "quality", "remark"]
)
def test_a_state_that_lacks_something_is_refused(knee: OpenKnee, missing: str) -> None:
    good = first_state(proposal(knee), knee.grids).as_dict()
    del good[missing]

    with pytest.raises(UsageError, match=r"What the page sent is not a working state"):
        state_from_dict(good, knee.grids)


@pytest.mark.parametrize("missing", sorted(POINT))
def test_a_landmark_that_lacks_something_is_refused(knee: OpenKnee, missing: str) -> None:
    good = first_state(proposal(knee), knee.grids).as_dict()
    point = {name: value for name, value in POINT.items() if name != missing}

    with pytest.raises(UsageError, match=r"What the page sent is not a working state"):
        state_from_dict({**good, "landmarks": {"0": {"image_left_rim": point}}}, knee.grids)


def test_landmarks_are_named_by_their_side_in_the_image(knee: OpenKnee) -> None:
    points = first_state(proposal(knee), knee.grids).landmarks[proposal(knee).measured.slice_index]

    left, right = (points[f"image_{side}_{Landmark.RIM}"].pixel[0] for side in ("left", "right"))
    assert left < right

"""What the program proposes and what a reader makes of it: neighbours, checks, other slices."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from meniscal_measure.caliper.landmarks import (
    LandmarkSet,
    Origin,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import NothingMeasurableError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid, as_vector
from meniscal_measure.records.landmark_file import landmark_set, read_landmarks
from meniscal_measure.review.desk import Desk, OpenTask
from meniscal_measure.review.measuring import measure_state
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.state import PixelLandmark, State, first_state
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.workflow import measure_placed
from meniscal_measure.workflow.placing import Placed
from tests.review.conftest import Serve, Show, with_landmarks
from tests.review.on_page import Held, at_rest

NAME = "exactly-3mm"
TO_CHECK = Finding(Code.RIMS_UNEVEN)
PROPOSED_SLICE = 6
DECLINES_FROM = 9
"""Slices at the end of the sample on which the stand-in for the program declines."""


def proposing(landmarks: Path) -> Callable[[StackPixels, Laterality, int | None], Placed]:
    """Stand in for the program: propose what a file says, on any slice."""

    def propose(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        frames = pixels.stack.frames
        found = landmark_set(read_landmarks(landmarks), frames)
        if index is not None and index >= DECLINES_FROM:
            raise NothingMeasurableError("{reason}", reason="No meniscus is seen here.")
        by = 0 if index is None else index - PROPOSED_SLICE
        slices = [proposed(item, by, [frame.grid for frame in frames])
                  for item in (found.measured, *found.neighbours)]  # fmt: skip
        convention = found.slice_convention if index is None else SliceConvention.CHOSEN_BY_READER
        moved = LandmarkSet(slices[0], tuple(slices[1:]), convention, found.slice_reason)
        return Placed(moved, 0.8, findings=(TO_CHECK,))

    return propose


def proposed(item: SliceLandmarks, by: int, grids: list[PixelGrid]) -> SliceLandmarks:
    """Move landmarks so many slices on, as the program's own."""
    index = item.slice_index + by
    offset_mm = grids[index].origin - grids[item.slice_index].origin
    points = {
        compartment: {
            name: replace(
                mark, origin=Origin.PROPOSED, point_mm=as_vector(mark.point_mm + offset_mm)
            )
            for name, mark in placed.items()
        }
        for compartment, placed in item.points.items()
    }
    return replace(item, slice_index=index, points=points)


@pytest.fixture
def desk_with(samples: Path, tmp_path: Path) -> Callable[..., Desk]:
    def build(terms: Terms | None = None) -> Desk:
        knee = Knee("knee", samples / NAME / "series-1")
        propose = proposing(samples / NAME / "landmarks.json")
        terms = terms or Terms(Conventions())
        return Desk([knee], tmp_path / "store.sqlite", terms, propose=propose)

    return build


def place_of(desk: Desk) -> OpenTask:
    return desk.complete(desk.place("AB", desk.tasks("AB")[0]["id"]))


def landmarks_of(place: OpenTask) -> LandmarkSet:
    assert place.knee.proposal is not None
    return place.knee.proposal.landmarks


def with_a_moved_rim(state: State) -> State:
    landmarks = dict(state.landmarks[state.slice_index])
    column, row = landmarks["image_left_rim"].pixel
    landmarks["image_left_rim"] = PixelLandmark((column + 2, row))
    return with_landmarks(state, state.slice_index, landmarks)


def test_a_moved_landmark_leaves_proposed_neighbours_out_as_on_the_command_line(
    desk_with: Callable[..., Desk],
) -> None:
    place = place_of(desk_with())
    state = with_a_moved_rim(first_state(landmarks_of(place), place.knee.grids))
    left_out = sorted(item.slice_index for item in landmarks_of(place).neighbours)
    assert left_out
    found = measure_state(place.shown, state, Conventions())
    assert found.reading is not None
    assert place.knee.proposal is not None

    (compartment,) = (
        name
        for name, placed in found.reading.measured.compartments.items()
        if any(mark.origin is Origin.READER for mark in placed.landmarks.values())
    )
    pixel = state.landmarks[state.slice_index]["image_left_rim"].pixel
    by_command = place.knee.proposal.with_hand_placed(
        {f"{compartment.value}_rim": pixel}, place.knee.stack
    )
    expected = measure_placed(place.knee.choice, place.knee.laterality, by_command.landmarks)

    assert [item.code for item in found.left_out] == [Code.SLICE_ONLY_PROPOSED] * len(left_out)
    assert [item.where for item in found.left_out] == left_out
    assert found.reading.neighbours == ()
    for name, part in expected.measured.compartments.items():
        assert found.reading.measured.compartments[name].extrusion.u_mm == pytest.approx(
            part.extrusion.u_mm, abs=1e-9
        )


def test_a_neighbour_counts_again_once_the_reader_has_set_a_landmark_there(
    desk_with: Callable[..., Desk],
) -> None:
    place = place_of(desk_with())
    state = with_a_moved_rim(first_state(landmarks_of(place), place.knee.grids))
    index = landmarks_of(place).neighbours[0].slice_index
    there = replace(with_a_moved_rim(replace(state, slice_index=index)), slice_index=PROPOSED_SLICE)
    found = measure_state(place.shown, there, Conventions())

    assert found.reading is not None
    assert [part.slice_index for part in found.reading.neighbours] == [index]


def test_what_to_check_stands_with_a_proposal_until_nothing_of_it_is_left(
    desk_with: Callable[..., Desk],
) -> None:
    place = place_of(desk_with())
    state = first_state(landmarks_of(place), place.knee.grids)
    by_hand = {
        name: PixelLandmark(mark.pixel) for name, mark in state.landmarks[PROPOSED_SLICE].items()
    }
    for given, is_said in (
        (state, True),
        (with_a_moved_rim(state), True),
        (with_landmarks(state, PROPOSED_SLICE, by_hand), False),
    ):
        reading = measure_state(place.shown, given, Conventions()).reading
        assert reading is not None
        assert (TO_CHECK in reading.warnings) is is_said
        assert (reading.proposal_confidence == 0.8) is is_said


def test_the_reader_lets_the_program_propose_on_another_slice(
    desk_with: Callable[..., Desk], served: Serve, shown: Show
) -> None:
    desk = desk_with()
    page = shown(served(desk))
    expect(page.locator("#warnings")).to_contain_text("check the rims")
    expect(page.locator("#slice-label")).to_have_text("Slice 7 / 13")
    page.keyboard.press("PageUp")
    page.keyboard.press("H")

    expect(page.locator("#slice-where")).to_have_text("6 of 13; this one is measured")
    expect(page.locator("#announce-act")).to_contain_text("Proposed on slice 6")
    expect(page.locator("#standing")).to_contain_text("confidence 0.80")
    expect(page.locator("#warnings")).to_contain_text("check the rims")
    expect(page.locator("#stage")).to_have_attribute("data-drawn", str(PROPOSED_SLICE - 1))
    at_rest(page)
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    assert signing.record["reading"]["slice"]["index"] == PROPOSED_SLICE - 1
    assert signing.record["reading"]["conventions"]["slice"] == "chosen_by_reader"
    page.keyboard.press("Control+z")
    expect(page.locator("#slice-where")).to_contain_text("slice 7, image 7 is measured")


@pytest.mark.parametrize("late", ["**/desk", "**/proposal"])
def test_a_reader_who_looks_at_another_slice_stays_there_when_the_proposal_comes(
    desk_with: Callable[..., Desk], served: Serve, page: Page, late: str
) -> None:
    held: list[Route] = []
    page.route(late, lambda route: held.append(route))
    with page.expect_request(late):
        page.goto(f"{served(desk_with()).address}#reader=AB")
    expect(page.locator("#slice-where")).to_contain_text("7 of 13")
    page.keyboard.press("PageUp")
    expect(page.locator("#slice-where")).to_contain_text("6 of 13")

    for route in held:
        route.continue_()
    expect(page.locator("#slice-why")).to_contain_text("Proposed: slice 7")
    expect(page.locator("#slice-where")).to_contain_text("6 of 13; slice 7, image 7 is measured")


def test_a_proposal_that_was_asked_for_leaves_a_reader_where_he_went_meanwhile(
    desk_with: Callable[..., Desk], served: Serve, shown: Show
) -> None:
    page = shown(served(desk_with()))
    propose = Held(page, "**/propose")
    page.keyboard.press("PageUp")
    page.keyboard.press("H")
    propose.wait()
    page.keyboard.press("PageUp")
    expect(page.locator("#slice-label")).to_have_text("Slice 5 / 13")
    propose.let_through()

    expect(page.locator("#todo")).to_have_text("Proposed: slice 6, image 6. Home shows it")
    expect(page.locator("#slice-label")).to_have_text("Slice 5 / 13")
    page.keyboard.press("Home")
    expect(page.locator("#slice-where")).to_have_text("6 of 13; this one is measured")
    expect(page.locator("#todo")).to_be_hidden()


def test_what_to_check_on_another_slice_is_still_said_after_a_restart(
    desk_with: Callable[..., Desk], served: Serve, shown: Show
) -> None:
    page = shown(served(desk_with()))
    page.keyboard.press("PageUp")
    page.get_by_role("button", name="Propose here").click()
    expect(page.locator("#slice-where")).to_have_text("6 of 13; this one is measured")
    at_rest(page)

    shown(served(desk_with()))
    expect(page.locator("#slice-where")).to_have_text("6 of 13; this one is measured")
    expect(page.locator("#standing")).to_contain_text("confidence 0.80")
    expect(page.locator("#warnings")).to_contain_text("check the rims")


def test_a_slice_on_which_the_program_declines_keeps_what_the_reader_had(
    desk_with: Callable[..., Desk], served: Serve, shown: Show
) -> None:
    page = shown(served(desk_with()))
    for _ in range(DECLINES_FROM - PROPOSED_SLICE):
        page.keyboard.press("PageDown")
    page.keyboard.press("H")

    expect(page.locator("#trouble")).to_contain_text(
        "Nothing is proposed on slice 10, image 10: No meniscus is seen here."
    )
    expect(page.locator("#slice-where")).to_contain_text("slice 7, image 7 is measured")


def test_blinded_the_program_cannot_be_asked(
    desk_with: Callable[..., Desk], served: Serve, shown: Show
) -> None:
    client = served(desk_with(Terms(Conventions(), Blinding(seed=1))))
    page = shown(client)
    expect(page.locator("#todo")).to_be_visible()
    expect(page.locator("#propose-here")).to_be_hidden()
    page.keyboard.press("H")
    base = f"tasks/{replace(client, reader='AB').first_task()}"
    status, _ = replace(client, reader="AB").ask(
        f"{base}/slices/5/propose", {"state": State(5, {}).as_dict()}
    )
    assert status == 400

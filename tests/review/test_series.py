"""Which of several coronal series is read, and what the program says of its own proposal."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.caliper.landmarks import Origin, SliceLandmarks
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import UsageError
from meniscal_measure.records.landmark_file import landmark_set, read_landmarks
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.signing import reject
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.workflow.placing import Placed
from tests.review.conftest import Serve, Show, begun
from tests.review.on_page import box_of

OPEN = Terms(Conventions())
TWO_CORONAL = ("coronal", "coronal")
CONFIDENCE = 0.8371


def as_proposed(item: SliceLandmarks) -> SliceLandmarks:
    points = {
        compartment: {name: replace(mark, origin=Origin.PROPOSED) for name, mark in placed.items()}
        for compartment, placed in item.points.items()
    }
    return replace(item, points=points)


@pytest.fixture
def proposed_desk(samples: Path, tmp_path: Path) -> Callable[[Terms], Desk]:
    """A desk on a sample on which a program proposes, with a confidence."""
    sample = samples / "exactly-3mm"

    def propose(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        found = landmark_set(read_landmarks(sample / "landmarks.json"), pixels.stack.frames)
        slices = tuple(map(as_proposed, found.neighbours))
        measured = as_proposed(found.measured)
        return Placed(replace(found, measured=measured, neighbours=slices), CONFIDENCE)

    def build(terms: Terms) -> Desk:
        knee = Knee("knee", sample / "series-1")
        return Desk([knee], tmp_path / "store.sqlite", terms, propose=propose)

    return build


@pytest.fixture
def two_series(painted: Callable[..., Path], tmp_path: Path) -> Desk:
    """A desk on a study with two coronal series."""
    study = painted(planes=TWO_CORONAL)
    return Desk([Knee("knee", study)], tmp_path / "store.sqlite", OPEN)


def place_points(page: Page, outer_column: float) -> None:
    """Click six points into the slice in view."""
    box = box_of(page, "#stage")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    places = [(60, 120), (outer_column, 112), (80, 120), (196, 120), (200, 112), (170, 120)]
    for pixel in places:
        x, y = (
            middle[axis] + (pixel[axis] * 0.5 - view["centre"][axis]) * view["scale"]
            for axis in (0, 1)
        )
        page.mouse.click(x, y)
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")


def test_another_coronal_series_is_read_for_itself_and_both_are_kept(
    two_series: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(two_series))
    lateral = page.locator('section[aria-label="Lateral extrusion"] .value')
    choice = page.get_by_label("Series")
    first, second = choice.locator("option").all_inner_texts()
    assert {first[:1], second[:1]} == {"1", "2"}
    begun_on = choice.input_value()
    place_points(page, 52)
    expect(lateral).to_contain_text("4.00")

    choice.select_option(index=1 - choice.evaluate("(select) => select.selectedIndex"))
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")
    begun(page)
    place_points(page, 50)
    expect(lateral).to_contain_text("5.00")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")

    page.keyboard.press("Escape")
    page.keyboard.press("s")
    expect(choice).to_have_value(begun_on)
    expect(lateral).to_contain_text("4.00")
    expect(page.locator("#signed")).to_contain_text("That was on another series")
    page.reload()
    expect(choice).to_have_value(begun_on)
    expect(lateral).to_contain_text("4.00")
    (signing,) = two_series.journal.all()
    assert signing.record["series"]["key"] != begun_on
    uid = signing.record["reading"]["source"]["series_instance_uid"]
    assert signing.record["series"]["key"] == uid


def test_a_rejection_says_which_series_was_seen(two_series: Desk) -> None:
    task = two_series.tasks("AB")[0]["id"]
    chosen = two_series.place("AB", task)
    other = chosen.knee.choice.alternatives[0].identity.series_instance_uid
    place = two_series.place("AB", task, other)
    signing = reject(two_series, place, "Other: motion", two_series.begin(place).revision)

    assert signing.record["series"]["key"] == other != chosen.knee.images


def test_landmarks_of_a_file_belong_to_the_series_they_were_placed_on(
    painted: Callable[..., Path], tmp_path: Path
) -> None:
    study = painted(planes=TWO_CORONAL)
    bare = Desk([Knee("knee", study)], tmp_path / "bare.sqlite", OPEN)
    (second,) = bare.place("AB", bare.tasks("AB")[0]["id"]).knee.choice.alternatives
    file = tmp_path / "landmarks.json"
    points = {"medial_rim": [196, 120], "lateral_rim": [60, 120], "lateral_outer_edge": [52, 112]}
    file.write_text(json.dumps({"slice": second.frames[4].sop_instance_uid, **points}))
    desk = Desk([Knee("knee", study, None, file)], tmp_path / "store.sqlite", OPEN)
    task = desk.tasks("AB")[0]["id"]

    named = desk.place("AB", task)
    (first,) = (s for s in named.knee.study.stacks if s is not named.knee.stack)
    elsewhere = desk.place("AB", task, first.identity.series_instance_uid)

    assert named.knee.images == second.identity.series_instance_uid
    assert named.knee.proposal is not None
    assert (elsewhere.knee.proposal, elsewhere.knee.remark) == (None, "")


def test_images_that_are_gone_are_not_replaced_by_others(two_series: Desk) -> None:
    task = two_series.tasks("AB")[0]["id"]
    with pytest.raises(UsageError, match=r"begun on other images than .* Bring them back"):
        two_series.place("AB", task, "1.2.3")


def test_the_confidence_of_the_program_stands_beside_values_that_nobody_has_signed(
    proposed_desk: Callable[[Terms], Desk], served: Serve, shown: Show
) -> None:
    desk = proposed_desk(OPEN)
    page = shown(served(desk))
    standing = page.locator("#standing")

    expect(standing).to_contain_text("PROPOSED, NOT VERIFIED")
    expect(standing).to_contain_text("(confidence 0.84)")
    expect(page.locator("#more")).to_contain_text("how likely both rims and both outer edges lie")
    expect(page.locator("#slice-why")).to_contain_text(
        "Proposed: slice 7, image 7, apex of the medial"
    )
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    expect(standing).to_be_hidden()
    (signing,) = desk.journal.all()
    assert signing.record["proposal"]["proposal_confidence"] == CONFIDENCE
    assert signing.record["reading"]["verified_by"] == "AB"


def test_blinded_neither_confidence_nor_series_are_shown(
    proposed_desk: Callable[[Terms], Desk], served: Serve
) -> None:
    client = served(proposed_desk(Terms(Conventions(), Blinding(seed=7))))
    base = f"tasks/{client.first_task()}"
    shown = client.json(base) | client.json(f"{base}/desk")
    measured = client.json(f"{base}/measure", {"state": shown["state"]})

    assert shown["series"] == {"key": "", "reason": "", "choices": []}
    assert shown["proposed"] is None
    assert "0.8" not in json.dumps([shown["remark"], measured])

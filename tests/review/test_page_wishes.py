"""The list with its filters, taking back a rejection, the side, and millimetres that are hidden."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import NothingMeasurableError
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.signing import reject
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.workflow.placing import Placed
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import at_rest, box_of


@pytest.fixture
def list_of_four(samples: Path, tmp_path: Path, sign_as_shown: Callable[..., Any]) -> Desk:
    """Signed and flagged, rejected by AB and measured by CD, begun, and untouched."""
    study = samples / "root-tear"
    landmarks = study / "landmarks.json"
    knees = [Knee(name, study, None, landmarks) for name in ("one", "two", "three", "four")]
    desk = Desk(knees, tmp_path / "list.sqlite", Terms(Conventions()))
    for reader, at in (("AB", 0), ("CD", 0), ("CD", 1)):
        place = desk.place(reader, desk.tasks(reader)[at]["id"])
        sign_as_shown(desk, place, desk.begin(place).revision)
    place = desk.place("AB", desk.tasks("AB")[1]["id"])
    reject(desk, place, "Other: test", desk.begin(place).revision)
    place = desk.place("AB", desk.tasks("AB")[2]["id"])
    draft = desk.begin(place)
    desk.drafts.change(place.draft, draft.revision, draft.state)
    return desk


def test_the_list_is_filtered_and_counted(list_of_four: Desk, served: Serve, page: Page) -> None:
    page.goto(f"{served(list_of_four).address}#reader=AB")
    choice = page.get_by_label("Show")
    labels = [
        "All (4)",
        "To do (2)",
        "Begun (1)",
        "Signed (1)",
        "Rejected (1)",
        "Flagged (1)",
        "Readers disagree (1)",
    ]
    expect(choice.locator("option")).to_have_text(labels)
    for filtered, names in (
        ("todo", ["three", "four"]),
        ("begun", ["three"]),
        ("signed", ["one"]),
        ("rejected", ["two"]),
        ("flagged", ["one"]),
        ("disagreeing", ["two"]),
    ):
        choice.select_option(filtered)
        expect(page.locator("#list .entry .clip")).to_have_text(names)


def test_a_rejection_is_taken_back(list_of_four: Desk, served: Serve, page: Page) -> None:
    page.goto(f"{served(list_of_four).address}#reader=AB")
    page.locator("#list .entry").nth(1).click()
    expect(page.locator("#signed")).to_contain_text("Rejected (Other: test)")
    page.get_by_role("button", name="Withdraw the rejection").click()

    expect(page.locator("#signed")).to_have_text("Not signed yet")
    assert list_of_four.tasks("AB")[1]["status"] == ""
    assert [entry.verdict for entry in list_of_four.journal.all()][-1] == "withdrawn"
    assert list_of_four.journal.check() == 5
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")


def test_a_stated_side_is_corrected_with_a_reason(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    desk = open_desk("root-tear")
    page = shown(served(desk))
    expect(page.locator("#side-words")).to_contain_text(re.compile("Left|Right"))
    cards = page.locator("#results h2")
    expect(cards).to_have_count(2)
    before = cards.all_inner_texts()
    page.locator("#correct-side").click()
    page.locator("#side-reason").fill("marker on the film")
    page.get_by_role("button", name="Correct the side").click()

    expect(cards.first).to_have_text(before[1])
    expect(page.locator("#warnings")).to_contain_text("The reader corrected the side")
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")
    page.locator("#stage").focus()
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    source = signing.record["reading"]["source"]
    assert source["side_source"] == "corrected by the reader (marker on the film)"


def test_blinded_readers_see_millimetres_once_they_have_signed(
    samples: Path, tmp_path: Path, served: Serve, page: Page
) -> None:
    knee = Knee("knee", samples / "root-tear" / "series-1")
    terms = Terms(Conventions(), Blinding(seed=1), hides_mm=True)
    desk = Desk([knee], tmp_path / "blind.sqlite", terms)
    answers: list[str] = []
    page.on(
        "response",
        lambda answer: answers.append(answer.text()) if "measure" in answer.url else None,
    )
    page.goto(f"{served(desk).address}#reader=AB")
    begun(page)
    expect(page.locator("#todo")).to_contain_text("Click the rim")
    for key in ("1", "5", "2", "6"):
        page.keyboard.press(key)
        page.keyboard.press("Enter")
        page.keyboard.press("Control+ArrowLeft" if key in "12" else "Control+ArrowRight")
    for key in ("2", "6"):
        page.keyboard.press(key)
        page.keyboard.press("Control+ArrowLeft" if key in "12" else "Control+ArrowRight")
    expect(page.locator("#message")).to_contain_text("shown once you have signed")
    expect(page.locator("#results .value")).to_have_count(0)
    assert not any("extrusion_mm" in answer for answer in answers)
    page.keyboard.press("Control+Enter")

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    expect(page.locator("#results .value")).to_have_count(2)
    page.keyboard.press("2")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#results .value")).to_have_count(0)
    at_rest(page)


def test_a_landmark_chosen_by_key_is_announced(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("root-tear")))
    page.keyboard.press("2")
    expect(page.locator("#announce-act")).to_have_text(
        re.compile(r"outer edge, image left: placed at column [\d.]+, row [\d.]+")
    )


def test_dragging_with_the_middle_button_changes_the_window(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("root-tear")))
    box = box_of(page, "#stage")
    page.mouse.move(box["x"] + 200, box["y"] + 100)
    page.mouse.down(button="middle")
    page.mouse.move(box["x"] + 240, box["y"] + 140)
    page.mouse.up(button="middle")

    expect(page.locator("#window-preset")).to_have_value("")


def test_windows_are_those_of_the_contrast(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted())))
    words = page.locator("#window-preset option").all_inner_texts()
    assert words[:4] == ["Whole knee", "Meniscal edge", "Plateau rim", "Fluid against cartilage"]


def open_planes(page: Page) -> None:
    at_rest(page)  # nothing above them comes or goes any more
    page.locator("#planes summary").click()
    page.locator("#plane").scroll_into_view_if_needed()


def test_a_click_in_another_plane_leads_to_the_same_place(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted(planes=("coronal", "sagittal")))))
    open_planes(page)
    expect(page.locator("#plane-link")).to_contain_text("Linked")
    expect(page.locator("#plane")).to_have_attribute("aria-label", re.compile("sagittal slice 5;"))
    box = box_of(page, "#plane")
    # The painted slices lie 3 mm apart around the origin; a plane of 128 mm begins at -64 mm.
    across_mm = 6.0
    page.mouse.click(box["x"] + box["width"] * (64 + across_mm) / 128, box["y"] + 60)

    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 10")
    page.locator("#plane").focus()
    page.keyboard.press("PageDown")
    expect(page.locator("#plane")).to_have_attribute("aria-label", re.compile("sagittal slice 6;"))
    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 10")


def test_a_landmark_brings_the_other_plane_to_its_place(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted(planes=("coronal", "sagittal")))))
    open_planes(page)
    page.locator("#stage").focus()
    page.keyboard.press("1")
    page.keyboard.press("Enter")  # in the middle of the slice: 0 mm
    page.keyboard.press("1")
    for _ in range(3):
        page.keyboard.press("Control+ArrowRight")
    page.keyboard.press("2")
    page.keyboard.press("1")

    # 30 pixels of 0.5 mm to the patient's left: five slices of 3 mm further on, the last one.
    expect(page.locator("#plane")).to_have_attribute("aria-label", re.compile("sagittal slice 10;"))


def test_planes_that_cannot_be_related_are_shown_and_said_to_be_unlinked(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    study = painted(planes=("coronal", "sagittal"), in_one_frame=False)
    page = shown(served(open_desk(study)))
    open_planes(page)
    expect(page.locator("#plane-link")).to_contain_text("Not linked")
    expect(page.locator("#plane")).to_have_attribute("aria-label", "sagittal slice 5, not linked")
    page.locator("#plane").click(position={"x": 20, "y": 20})

    expect(page.locator("#slice-label")).to_have_text("Slice 6 / 10")


def declining(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
    error = NothingMeasurableError(
        "Nothing for {series}: {reason} (--landmarks FILE)", series="1", reason="Too noisy."
    )
    error.likely_slice = 3
    raise error


def test_a_declined_knee_opens_on_the_likely_slice_and_asks_for_the_first_landmark(
    samples: Path, tmp_path: Path, served: Serve, shown: Show
) -> None:
    knee = Knee("knee", samples / "exactly-3mm" / "series-1")
    desk = Desk([knee], tmp_path / "s.sqlite", Terms(Conventions()), propose=declining)
    page = shown(served(desk))
    expect(page.locator("#slice-why")).to_contain_text("is probably slice 4")
    expect(page.locator("#slice-why")).to_contain_text("Too noisy.")
    expect(page.locator("#slice-why")).not_to_contain_text("--landmarks")
    expect(page.locator("#slice-label")).to_have_text("Slice 4 / 13")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")


def test_the_slice_with_the_first_landmark_is_the_measured_one_and_it_can_be_undone(
    samples: Path, tmp_path: Path, served: Serve, shown: Show
) -> None:
    knee = Knee("knee", samples / "exactly-3mm" / "series-1")
    desk = Desk([knee], tmp_path / "s.sqlite", Terms(Conventions()), propose=declining)
    page = shown(served(desk))
    expect(page.locator("#slice-label")).to_have_text("Slice 4 / 13")
    page.keyboard.press("PageDown")
    expect(page.locator("#todo")).to_contain_text("slice 5, image 5 will be measured")
    expect(page.locator("#stage")).to_have_attribute("data-drawn", "4")
    page.locator("#stage").click(position={"x": 200, "y": 300})

    expect(page.locator("#announce-act")).to_contain_text("slice 5, image 5 is the measured slice")
    expect(page.locator("#slice-where")).to_contain_text("this one is measured")
    expect(page.locator("#todo")).to_have_text("Click the outer edge, image left")
    page.keyboard.press("Control+z")
    expect(page.locator("#slice-where")).to_contain_text("slice 4, image 4 is measured")


def test_single_keys_can_be_turned_off(open_desk: OpenDesk, served: Serve, shown: Show) -> None:
    """WCAG 2.2, 2.1.4 Character Key Shortcuts: one of its three remedies is to turn them off."""
    page = shown(served(open_desk("root-tear")))
    page.keyboard.press("?")
    page.get_by_label("Use single-character keys").uncheck()
    page.keyboard.press("Escape")
    for key in ("2", "x", "?", "w"):
        page.keyboard.press(key)
    expect(page.locator("dialog[open]")).to_have_count(0)
    expect(page.locator("#inset")).to_be_hidden()
    page.keyboard.press("PageDown")
    expect(page.locator("#slice-where")).to_contain_text("is measured")

    page.reload()
    begun(page)
    page.keyboard.press("x")
    expect(page.locator("dialog[open]")).to_have_count(0)
    page.get_by_role("button", name="Keys").click()
    page.get_by_label("Use single-character keys").check()
    page.keyboard.press("Escape")
    page.locator("#stage").focus()
    page.keyboard.press("x")
    expect(page.locator("#reject-dialog")).to_be_visible()

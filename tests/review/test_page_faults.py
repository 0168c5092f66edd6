"""Slow proposals, images that break, a server that is gone: the page says what happened."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from threading import Event

import pytest
from playwright.sync_api import Page, expect
from starlette.types import ASGIApp, Receive, Scope, Send

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import NothingMeasurableError
from meniscal_measure.records.landmark_file import landmark_set, read_landmarks
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.routes import application
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.workflow.placing import Placed
from tests.review.conftest import PATIENCE_S, OpenDesk, Serve, Show
from tests.review.on_page import Held, at_rest, intercept


def test_a_slice_that_cannot_be_read_says_so_in_its_place(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show, page: Page
) -> None:
    study = painted()
    client = served(open_desk(study))
    client.json(f"tasks/{client.first_task()}/desk")  # headers are read, then the file is lost
    (study / "1-coronal-07.dcm").unlink()
    shown(client)
    page.keyboard.press("PageDown")
    page.keyboard.press("PageDown")

    expect(page.locator("#todo")).to_contain_text("1-coronal-07.dcm")
    page.keyboard.press("PageUp")
    expect(page.locator("#todo")).not_to_contain_text("1-coronal-07.dcm")


def test_a_server_that_is_gone_is_said_and_what_is_not_kept_too(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("exactly-3mm")))
    card = page.locator('section[aria-label="Medial extrusion"] .value')
    expect(card).to_contain_text("3.00")
    is_back = Event()
    intercept(
        page, "**/api/**", lambda route: route.continue_() if is_back.is_set() else route.abort()
    )
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")

    expect(page.locator("#trouble")).to_contain_text("does not answer. What was signed is safe")
    expect(page.locator("#saved")).to_have_text(re.compile("Not saved yet|Not measured"))

    expect(card).to_be_hidden()  # no value is shown that is not that of the points
    expect(page.locator("#message")).to_have_text("The values are not known at the moment.")

    is_back.set()
    expect(page.locator("#saved")).to_have_text("All saved")
    expect(page.locator("#trouble")).to_be_hidden()
    expect(card).to_contain_text("3.50")


def test_a_server_that_ends_in_the_middle_of_an_answer_is_said_to_be_gone(
    open_desk: OpenDesk, serve_application: Callable[[ASGIApp], str], page: Page
) -> None:
    whole = application(open_desk("exactly-3mm"))

    async def cut_off(scope: Scope, receive: Receive, send: Send) -> None:
        if not scope["path"].endswith("/desk"):
            await whole(scope, receive, send)
            return
        headers = [(b"content-length", b"1000")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"{", "more_body": True})

    page.goto(f"{serve_application(cut_off)}#reader=AB")
    expect(page.locator("#trouble")).to_contain_text("does not answer. What was signed is safe")


def test_a_study_that_cannot_be_opened_can_only_be_rejected(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, page: Page
) -> None:
    study = painted()
    desk = open_desk(study)
    for file in study.iterdir():
        file.unlink()
    page.goto(f"{served(desk).address}#reader=AB")

    expect(page.locator("#trouble")).to_contain_text("No usable MR image")
    page.locator("#trouble-reject").click()
    page.get_by_role("button", name="Reject and sign").click()
    expect(page.locator("#trouble")).to_contain_text("Rejected and signed")
    assert [entry.verdict for entry in desk.journal.all()] == ["rejected"]


@pytest.fixture
def slow(samples: Path, tmp_path: Path) -> tuple[Desk, Event]:
    """A desk whose proposal comes when the event is set."""
    sample = samples / "exactly-3mm"
    found = Event()

    def propose(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        assert found.wait(PATIENCE_S)
        return Placed(
            landmark_set(read_landmarks(sample / "landmarks.json"), pixels.stack.frames), 0.9
        )

    knee = Knee("knee", sample / "series-1")
    return Desk([knee], tmp_path / "store.sqlite", Terms(Conventions()), propose=propose), found


def test_slices_are_seen_while_the_proposal_is_being_found(
    slow: tuple[Desk, Event], served: Serve, page: Page
) -> None:
    desk, found = slow
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#slice-why")).to_contain_text("you can begin by hand")
    page.keyboard.press("PageDown")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saved")).to_contain_text("Not signed.")
    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 13")
    expect(page.locator("#stage")).to_have_attribute("data-drawn", "7")

    view = page.locator("#stage").get_attribute("data-view")
    found.set()

    expect(page.locator("#todo")).to_have_text("Proposed: slice 7, image 7. Home shows it")
    expect(page.locator("#slice-why")).to_contain_text(
        "Proposed: slice 7, image 7, apex of the medial"
    )
    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 13")
    assert page.locator("#stage").get_attribute("data-view") == view
    page.keyboard.press("Home")
    expect(page.locator("#slice-label")).to_have_text("Slice 7 / 13")
    expect(page.locator("#todo")).to_be_hidden()
    expect(page.locator('section[aria-label="Medial extrusion"] .value')).to_contain_text("3.00")
    assert list(desk.journal.all()) == []
    assert desk.tasks("AB")[0]["status"] == ""  # nothing was done by the reader


def test_who_begins_by_hand_before_the_proposal_is_there_keeps_what_was_done(
    slow: tuple[Desk, Event], served: Serve, page: Page
) -> None:
    desk, found = slow
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")
    page.wait_for_selector("#stage[data-drawn]")
    page.keyboard.press("Enter")
    rim = page.get_by_role("button", name="1 rim")
    expect(rim).to_contain_text("placed")
    expect(page.locator("#saved")).to_have_text("All saved")

    found.set()

    expect(page.locator("#slice-why")).to_contain_text(
        "Proposed: slice 7, image 7, apex of the medial"
    )
    expect(rim).to_contain_text("placed")
    page.get_by_role("button", name="Use the proposal instead").click()
    card = page.locator('section[aria-label="Medial extrusion"] .value')
    expect(card).to_contain_text("3.00")
    page.keyboard.press("Control+z")
    expect(card).to_be_hidden()


def test_what_is_changed_while_a_proposal_is_taken_up_is_saved_after_it(
    slow: tuple[Desk, Event], served: Serve, page: Page
) -> None:
    desk, found = slow
    taken = Held(page, "**/begin-again")
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")
    page.wait_for_selector("#stage[data-drawn]")
    page.keyboard.press("+")
    page.keyboard.press("2")
    found.set()
    taken.wait()
    page.keyboard.press("Shift+ArrowLeft")
    taken.let_through()

    card = page.locator('section[aria-label="Medial extrusion"] .value')
    expect(card).to_contain_text("3.50")
    at_rest(page)
    expect(page.locator("#trouble")).to_be_hidden()
    place = desk.complete(desk.place("AB", desk.tasks("AB")[0]["id"]))
    draft = desk.begin(place)
    saved = json.loads(draft.state)["landmarks"]["6"]["image_left_outer_edge"]
    assert saved["origin"] == "reader"
    assert draft.can_undo


def test_why_nothing_is_proposed_is_said(
    samples: Path, tmp_path: Path, served: Serve, shown: Show
) -> None:
    def propose(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        raise NothingMeasurableError("Nothing is proposed: this does not look like a knee.")

    knee = Knee("knee", samples / "exactly-3mm" / "series-1")
    desk = Desk([knee], tmp_path / "store.sqlite", Terms(Conventions()), propose=propose)
    page = shown(served(desk))

    expect(page.locator("#slice-why")).to_contain_text("this does not look like a knee")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")


def test_of_two_thousand_slices_the_page_holds_those_near_the_one_in_view(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    """Slices of 2048 x 2048 pixels take 8 MiB each; the page holds at most 96 MiB."""
    page = shown(served(open_desk("exactly-3mm")))
    held = page.evaluate(
        """async () => {
          const { Slices } = await import("./slices.js");
          const bytes = new ArrayBuffer(24 + 2 * 2048 ** 2);
          const asked = [];
          let arrived = () => {};
          const api = { bytes: async (path) => (asked.push(path), bytes) };
          const slices = new Slices(api, "", 2000, () => arrived());
          for (let index = 0; index < 2000; index += 250) {
            slices.want(index);
            while (!slices.get(index)) await new Promise((resolve) => (arrived = resolve));
          }
          const there = [...Array(2000).keys()].filter((index) => slices.get(index));
          return { there, asked: asked.length };
        }"""
    )
    assert 1750 in held["there"]
    assert len(held["there"]) <= 12
    assert 12 < held["asked"] < 8 * 12  # nothing far from what was in view

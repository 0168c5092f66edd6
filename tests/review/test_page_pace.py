"""A reader who is quicker than the answers: nothing is done to the wrong thing, or lost unsaid."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import FRAMES_WAITED, Held, at_rest, on_screen

COUNT_DRAWN = """() => {
    const { clearRect } = CanvasRenderingContext2D.prototype;
    window.drawn = 0;
    CanvasRenderingContext2D.prototype.clearRect = function (...box) {
        window.drawn += 1;
        clearRect.apply(this, box);
    };
}"""
"""Counts how often marks are drawn anew."""
SPACING_MM = (0.5, 0.5)
CARD = 'section[aria-label="Medial extrusion"] .value'


@pytest.fixture
def desk(open_desk: OpenDesk) -> Desk:
    return open_desk("exactly-3mm")


@pytest.fixture
def opening(desk: Desk, served: Serve, page: Page) -> tuple[Held, Page]:
    """A knee whose slice is in view and whose working state has not come."""
    working = Held(page, "**/desk")
    page.goto(f"{served(desk).address}#reader=AB")
    working.wait()
    expect(page.locator("#todo")).to_have_text("Opening…")
    expect(page.locator("#stage")).to_have_attribute("data-view", re.compile("scale"))
    return working, page


def saved_on(desk: Desk, at: int = 0) -> Any:
    """Landmarks of the measured slice of a knee of the list, as they are saved."""
    place = desk.place("AB", desk.tasks("AB")[at]["id"])
    state = json.loads(desk.begin(place).state)
    return state["landmarks"][str(state["slice"])]


# While a knee is being opened


def test_what_is_chosen_while_a_knee_is_opened_stays_chosen(opening: tuple[Held, Page]) -> None:
    working, page = opening
    whole = page.locator("#stage").get_attribute("data-view") or ""
    for key in ("2", "w", "+"):
        page.keyboard.press(key)
    expect(page.locator("#window-preset")).to_have_value("meniscus")
    expect(page.locator("#stage")).not_to_have_attribute("data-view", whole)
    zoomed = json.loads(page.locator("#stage").get_attribute("data-view") or "")["scale"]
    working.let_through()

    expect(page.locator(CARD)).to_contain_text("3.00")
    expect(page.get_by_role("button", name="2 outer edge")).to_have_attribute(
        "aria-pressed", "true"
    )
    expect(page.locator("#window-preset")).to_have_value("meniscus")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    assert view["scale"] == zoomed
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator(CARD)).to_contain_text("3.50")


def test_a_key_that_can_do_nothing_yet_says_so(opening: tuple[Held, Page]) -> None:
    _, page = opening
    page.keyboard.press("2")
    for key in ("Shift+ArrowLeft", "u", "a", "m", "h", "e", "Delete", "Enter"):
        page.evaluate("() => { document.getElementById('saved').textContent = ''; }")
        page.keyboard.press(key)

        expect(page.locator("#saved")).to_have_text("Not done. The knee is still being opened.")


def test_nothing_is_signed_or_written_before_the_knee_is_open(
    desk: Desk, opening: tuple[Held, Page]
) -> None:
    working, page = opening
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saved")).to_have_text("Not signed. The knee is still being opened.")
    page.locator("#quality summary").click()
    remark = page.get_by_label("Remark")
    expect(remark).not_to_be_editable()
    working.let_through()

    expect(remark).to_be_editable()
    expect(page.locator("#saved")).to_have_text("")
    assert list(desk.journal.all()) == []


def test_a_knee_is_rejected_only_once_it_is_open(desk: Desk, opening: tuple[Held, Page]) -> None:
    working, page = opening
    page.keyboard.press("x")
    page.get_by_role("button", name="Reject and sign").click()
    expect(page.locator("#saved")).to_have_text("Not signed. The knee is still being opened.")
    working.let_through()
    at_rest(page)

    assert list(desk.journal.all()) == []


def test_a_knee_is_skipped_while_it_is_being_opened(
    samples: Path, tmp_path: Path, served: Serve, page: Page
) -> None:
    knees = [Knee(name, samples / "exactly-3mm") for name in ("one", "two", "three")]
    desk = Desk(knees, tmp_path / "store.sqlite", Terms(Conventions()))
    page.goto(f"{served(desk).address}#reader=AB")
    page.locator("#list .entry").first.click()
    begun(page)
    second = Held(page, f"**/tasks/{desk.tasks('AB')[1]['id']}")
    page.keyboard.press("g")
    second.wait()
    page.keyboard.press("g")
    expect(page.locator("#title")).to_contain_text("three")
    begun(page)
    second.let_through()

    at_rest(page)
    expect(page.locator("#title")).to_contain_text("three")
    expect(page.locator("#knee-view")).to_be_visible()


# Undo


def test_two_steps_are_undone_by_two_quick_keys(desk: Desk, served: Serve, shown: Show) -> None:
    page = shown(served(desk))
    page.keyboard.press("2")
    for moved in ("3.50", "4.00"):
        page.keyboard.press("Shift+ArrowLeft")
        expect(page.locator(CARD)).to_contain_text(moved)
        at_rest(page)
    undo = Held(page, "**/undo")
    page.keyboard.press("u")
    page.keyboard.press("u")
    undo.wait()
    undo.let_through()

    expect(page.locator(CARD)).to_contain_text("3.00")
    at_rest(page)
    expect(page.locator("#trouble")).to_be_hidden()


def test_a_change_during_an_undo_is_refused_in_words(
    desk: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(desk))
    before = saved_on(desk)
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    at_rest(page)
    undo = Held(page, "**/undo")
    page.keyboard.press("u")
    undo.wait()
    page.keyboard.press("Control+ArrowUp")
    expect(page.locator("#saved")).to_contain_text("Not done. The saved state is being fetched.")
    undo.let_through()
    at_rest(page)

    expect(page.locator(CARD)).to_contain_text("3.00")
    expect(page.locator("#trouble")).to_be_hidden()
    assert saved_on(desk) == before


# The hand on the mouse


def test_a_press_moves_nothing_on_the_knee_that_comes_into_view(
    two_knees: tuple[Desk, Page],
) -> None:
    desk, page = two_knees
    before = saved_on(desk, 1)
    x, y = on_screen(page, saved_on(desk)["image_left_outer_edge"]["pixel"], SPACING_MM)
    page.mouse.move(x, y)
    page.mouse.down()
    page.keyboard.press("g")
    expect(page.locator("#title")).to_contain_text("two")
    begun(page)
    page.mouse.move(x - 40, y, steps=4)
    page.mouse.up()
    at_rest(page)

    assert saved_on(desk, 1) == before


def test_an_arrow_without_a_landmark_chosen_asks_for_one(
    desk: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(desk))
    page.keyboard.press("Escape")
    page.keyboard.press("ArrowLeft")

    expect(page.locator("#saved")).to_have_text("Choose a landmark first: keys 1 to 8")


def test_no_landmark_is_set_on_a_slice_that_is_not_seen_yet(
    desk: Desk, served: Serve, page: Page
) -> None:
    image = Held(page, "**/slices/9")
    page.goto(f"{served(desk).address}#reader=AB")
    begun(page)
    page.get_by_role("slider", name=re.compile("Slice")).fill("10")
    expect(page.locator("#slice-label")).to_have_text("Slice 10 / 13")
    page.locator("#stage").focus()
    page.keyboard.press("1")
    page.keyboard.press("Enter")
    expect(page.locator("#saved")).to_have_text("Not done. The slice is not on the screen yet.")
    expect(page.get_by_role("button", name="1 rim")).to_contain_text("not placed")

    image.let_through()
    expect(page.locator("#stage")).to_have_attribute("data-drawn", "9")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="1 rim")).to_contain_text("placed")
    expect(page.get_by_role("button", name="1 rim")).not_to_contain_text("not placed")


def test_slices_that_are_fetched_ahead_draw_nothing_again(
    page: Page, desk: Desk, served: Serve, shown: Show
) -> None:
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    count = len(place.knee.grids)
    looked_at = {count // 2, json.loads(desk.begin(place).state)["slice"]}
    is_of = re.compile(f"/slices/(?!({'|'.join(map(str, looked_at))})$)")
    ahead = Held(page, is_of)
    come: list[str] = []
    page.on("requestfinished", lambda request: come.append(request.url))
    shown(served(desk))
    expect(page.locator("#results .value")).to_have_count(2)
    at_rest(page)
    ahead.wait()
    page.evaluate(COUNT_DRAWN)
    ahead.let_through()
    for _ in range(FRAMES_WAITED):
        page.evaluate("() => new Promise(requestAnimationFrame)")
        if len(list(filter(is_of.search, come))) == count - len(looked_at):
            break
    else:
        raise AssertionError("slices are not fetched ahead")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")

    assert page.evaluate("drawn") == 0

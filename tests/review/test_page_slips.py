"""Slips of hand and habit: nothing is done to a knee that its reader did not mean."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.review.desk import Desk
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import at_rest, intercept, middle_of, on_screen

HALF_AN_HOUR_S = 1800


def click_again(page: Page) -> None:
    """Make the second click of a double one."""
    page.mouse.down(click_count=2)
    page.mouse.up(click_count=2)


def ready(page: Page, knee: str) -> None:
    expect(page.locator("#title")).to_contain_text(knee)
    begun(page)
    at_rest(page)


def sign_and_double_click_next(page: Page) -> None:
    page.keyboard.press("Control+Enter")
    expect(page.locator("#next")).to_be_focused()
    page.mouse.click(*middle_of(page, "#next"))
    ready(page, "two")
    expect(page.locator("#results .value")).to_have_count(2)
    click_again(page)
    at_rest(page)


@pytest.mark.parametrize("width", [1280, 700])
def test_the_rest_of_a_double_click_on_next_signs_nothing(
    two_knees: tuple[Desk, Page], width: int
) -> None:
    desk, page = two_knees
    page.set_viewport_size({"width": width, "height": 800})
    sign_and_double_click_next(page)
    page.keyboard.press("q")  # whatever was asked for comes before this
    expect(page.locator("#signed")).to_have_text("Not signed yet")
    assert [signing.key.knee for signing in desk.journal.all()] == ["one"]


@pytest.fixture
def two_bare_knees(
    samples: Path, tmp_path: Path, open_desk: OpenDesk, served: Serve, page: Page
) -> tuple[Desk, Page]:
    """A list of two knees on which nothing is proposed."""
    study = samples / "exactly-3mm"
    work_list = tmp_path / "list.csv"
    work_list.write_text(f"knee,study\none,{study}\ntwo,{study}\n")
    desk = open_desk(work_list)
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#list")).to_be_focused()
    return desk, page


def test_the_rest_of_a_double_click_in_the_list_sets_no_landmark(
    two_bare_knees: tuple[Desk, Page],
) -> None:
    _, page = two_bare_knees
    page.mouse.click(500, middle_of(page, "#entry-0")[1])
    ready(page, "one")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")
    click_again(page)
    rim = page.get_by_role("button", name="1 rim")
    page.keyboard.press("2")
    expect(page.locator("#todo")).to_have_text("Click the outer edge, image left")
    expect(rim).to_contain_text("not placed")

    page.keyboard.press("1")
    page.mouse.click(500, 300)
    click_again(page)  # two quick clicks on the slice are two landmarks
    expect(rim).not_to_contain_text("not placed")
    expect(page.get_by_role("button", name="2 outer edge")).not_to_contain_text("not placed")


def test_a_key_held_down_goes_on_by_one_knee(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    page.keyboard.down("g")
    ready(page, "two")
    page.keyboard.down("g")  # again while it is held down
    page.keyboard.up("g")
    page.keyboard.press("2")
    expect(page.locator("#inset")).to_be_visible()
    expect(page.locator("#title")).to_contain_text("two")


def test_a_key_held_down_on_next_places_nothing(two_bare_knees: tuple[Desk, Page]) -> None:
    _, page = two_bare_knees
    page.keyboard.press("Enter")
    ready(page, "one")
    page.keyboard.press("x")
    page.get_by_role("button", name="Reject and sign").click()
    expect(page.locator("#next")).to_be_focused()
    page.keyboard.down("Enter")
    ready(page, "two")
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")
    page.keyboard.down("Enter")
    page.keyboard.up("Enter")
    page.keyboard.press("2")
    expect(page.locator("#todo")).to_have_text("Click the outer edge, image left")
    expect(page.get_by_role("button", name="1 rim")).to_contain_text("not placed")


def test_a_click_beside_the_image_sets_no_landmark(two_bare_knees: tuple[Desk, Page]) -> None:
    _, page = two_bare_knees
    page.keyboard.press("Enter")
    ready(page, "one")
    page.mouse.click(*on_screen(page, [-20.0, 100.0], (0.5, 0.5)))
    expect(page.locator("#saved")).to_contain_text("beside the image")
    expect(page.get_by_role("button", name="1 rim")).to_contain_text("not placed")


@pytest.mark.parametrize("ask", ["x", "side"])
def test_a_dialog_goes_with_the_knee_it_is_about(two_knees: tuple[Desk, Page], ask: str) -> None:
    desk, page = two_knees
    page.keyboard.press("g")
    ready(page, "two")
    if ask == "side":
        page.get_by_role("button", name="Correct…").click()
    else:
        page.keyboard.press(ask)
    expect(page.locator("dialog[open]")).to_have_count(1)
    page.go_back()
    ready(page, "one")
    expect(page.locator("dialog[open]")).to_have_count(0)
    assert desk.journal.all() == []


SCREENS = """const ask = window.matchMedia.bind(window);
window.screens = [];
window.matchMedia = (query) => { screens.push(ask(query)); return screens.at(-1); };"""
MOVED = """() => { Object.defineProperty(window, "devicePixelRatio", { value: 2 });
screens.forEach((asked) => asked.dispatchEvent(new Event("change"))); }"""


def test_a_window_on_a_screen_of_other_resolution_is_drawn_anew(
    open_desk: OpenDesk, served: Serve, shown: Show, page: Page
) -> None:
    page.add_init_script(SCREENS)
    shown(served(open_desk("exactly-3mm")))
    page.evaluate(MOVED)
    for canvas in ("image", "marks"):
        page.wait_for_function(f"() => {canvas}.width === {canvas}.clientWidth * 2")


def test_a_window_that_keeps_its_size_keeps_its_view(
    open_desk: OpenDesk, served: Serve, shown: Show, page: Page
) -> None:
    """The browser reports the first size with the next frame, on a slow screen long after."""
    page.add_init_script(SCREENS)
    shown(served(open_desk("exactly-3mm")))
    page.keyboard.press("2")
    page.keyboard.press("Control+ArrowLeft")
    with page.expect_response("**/view"):
        page.keyboard.press("w")
    at_rest(page)
    left = page.locator("#stage").get_attribute("data-view")
    page.reload()
    begun(page)
    page.evaluate("screens.forEach((asked) => asked.dispatchEvent(new Event('change')))")
    page.evaluate("() => new Promise(requestAnimationFrame)")
    assert page.locator("#stage").get_attribute("data-view") == left


def test_who_cannot_leave_a_knee_stays_its_reader(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    page.keyboard.press("PageDown")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saved")).to_contain_text("Not signed.")
    page.locator("#to-reader").click()
    page.locator("#reader-name").fill("CD")
    page.keyboard.press("Enter")
    expect(page.locator("#saved")).to_contain_text("This knee is not signed")
    page.reload()
    begun(page)
    expect(page.locator("#to-reader")).to_have_text("AB")


def test_time_with_another_tab_in_front_is_no_reading_time(
    open_desk: OpenDesk, served: Serve, shown: Show, page: Page
) -> None:
    page.clock.install()
    desk = open_desk("exactly-3mm")
    shown(served(desk))
    show = """(state) => {
        Object.defineProperty(document, "visibilityState", { value: state, configurable: true });
        document.dispatchEvent(new Event("visibilitychange")); }"""
    page.evaluate(show, "hidden")
    page.clock.fast_forward(1000 * HALF_AN_HOUR_S)
    page.evaluate(show, "visible")
    at_rest(page)
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    assert 0 < signing.record["reading_time_s"] < HALF_AN_HOUR_S


def test_a_refused_address_promises_only_what_is_there(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    intercept(page, "**/snap", lambda route: route.fulfill(status=403, body="no"))
    page.keyboard.press("2")
    page.keyboard.press("e")
    expect(page.locator("#saved")).to_contain_text("has a new address")
    expect(page.locator("#saved")).not_to_contain_text("holds a change")

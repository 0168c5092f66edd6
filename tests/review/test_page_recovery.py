"""Windows of every size, restarts, and slips of the hand: nothing vanishes, blocks or is lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from threading import Event, Thread
from typing import Any

import pytest
from playwright.sync_api import Dialog, Page, Route, expect

from meniscal_measure.review.desk import Desk
from meniscal_measure.review.routes import application
from meniscal_measure.review.serve import PageServer
from tests.exchange.listening import lasting_port
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import box_of, intercept

LEAST_STAGE_PX = 140
"""Below this side a slice is too small to place a landmark on."""


SIZES = {
    "phone upright": (360, 740),
    "phone on its side": (844, 390),
    "1280 x 800 at 200 %": (640, 400),
    "1280 x 800 at 400 %": (320, 200),
    "tablet": (768, 1024),
    "laptop": (1280, 800),
    "4K": (3840, 2160),
}
"""CSS pixels. Zoom by 400 % of 1280 pixels leaves 320 (WCAG 2.2, 1.4.10 Reflow)."""


@pytest.fixture
def desk(open_desk: OpenDesk) -> Desk:
    return open_desk("root-tear")


def saved_landmark(desk: Desk) -> Any:
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    state = json.loads(desk.begin(place).state)
    return state["landmarks"][str(state["slice"])]["image_left_outer_edge"]["pixel"]


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_a_knee_is_read_and_signed_in_a_window_of_any_size(
    page: Page, desk: Desk, served: Serve, shown: Show, size: tuple[int, int]
) -> None:
    width, height = size
    page.set_viewport_size({"width": width, "height": height})
    shown(served(desk))
    expect(page.locator("#results .value")).to_have_count(2)
    stage = box_of(page, "#stage")
    assert min(stage["width"], stage["height"]) >= LEAST_STAGE_PX
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for control in ("#slice-slider", "#landmark-buttons button", "#undo", "#reject", "#sign"):
        page.locator(control).first.scroll_into_view_if_needed()
        expect(page.locator(control).first).to_be_in_viewport()
    page.locator("#stage").scroll_into_view_if_needed()
    page.locator("#sign").click()

    expect(page.locator("#signed")).to_contain_text("Signed by AB")


def test_what_was_fitted_is_fitted_again_when_the_window_changes(
    desk: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(desk))
    before = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_function(
        "(scale) => JSON.parse(document.getElementById('stage').dataset.view).scale < scale",
        arg=before["scale"] / 2,
    )

    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")  # every landmark is in view


# Restarts


def port_of(server: PageServer) -> int:
    return int(server.address.split(":")[2].split("/")[0])


def test_a_change_that_was_not_saved_is_taken_up_when_the_program_runs_again(
    desk: Desk, client_of: Callable[[str], Any], shown: Show
) -> None:
    first = PageServer(application(desk), port=lasting_port())
    running = Thread(target=first.run)
    running.start()
    page = shown(client_of(first.address))
    expect(page.locator("#results .value")).to_have_count(2)
    before = saved_landmark(desk)
    first.stop()
    running.join()
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#saved")).to_contain_text("Not saved yet")
    assert saved_landmark(desk) == before

    second = PageServer(
        application(desk), port=port_of(first)
    )  # at once: the old connections linger
    again = Thread(target=second.run)
    again.start()
    try:
        expect(page.locator("#trouble")).to_contain_text("has a new address")
        page.on("dialog", lambda dialog: dialog.accept())
        shown(client_of(second.address))
        expect(page.locator("#saved")).to_have_text("All saved")
        assert second.address != first.address
        assert saved_landmark(desk) == pytest.approx([before[0] - 1, before[1]])
    finally:
        second.stop()
        again.join()


def test_a_change_made_after_one_whose_answer_was_lost_is_taken_up(
    desk: Desk, served: Serve, shown: Show, page: Page
) -> None:
    client = served(desk)
    shown(client)
    before = saved_landmark(desk)

    lost: list[Route] = []
    is_back = Event()

    def answer_lost(route: Route) -> None:
        if is_back.is_set():
            route.continue_()
            return
        if not lost:
            route.fetch()
        lost.append(route)
        route.abort()

    intercept(page, "**/change", answer_lost)
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#saved")).to_contain_text("Not saved yet")
    assert saved_landmark(desk) == pytest.approx([before[0] - 1, before[1]])
    page.keyboard.press("Shift+ArrowLeft")
    page.on("dialog", lambda dialog: dialog.accept())
    page.goto("about:blank")
    is_back.set()

    shown(client)
    expect(page.locator("#saved")).to_have_text("All saved")
    assert saved_landmark(desk) == pytest.approx([before[0] - 2, before[1]])


# Slips of the hand


def test_a_lone_surrogate_in_a_remark_blocks_nothing(
    desk: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(desk))
    page.locator("#quality summary").click()
    page.evaluate(
        """() => { const remark = document.getElementById("remark");
                   remark.value = "motion \\ud83d";
                   remark.dispatchEvent(new Event("input")); }"""
    )
    expect(page.locator("#saved")).to_have_text("All saved")

    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    assert signing.record["remark"] == "motion \N{REPLACEMENT CHARACTER}"


def test_esc_at_the_question_for_the_reader_asks_again(
    desk: Desk, served: Serve, page: Page
) -> None:
    page.goto(served(desk).address)
    for _ in range(3):
        page.keyboard.press("Escape")
        expect(page.locator("#reader-dialog")).to_be_visible()
    page.keyboard.type("AB")
    page.keyboard.press("Enter")

    begun(page)
    page.locator("#to-reader").click()
    page.keyboard.press("Escape")
    expect(page.locator("#stage")).to_be_visible()


def test_who_leaves_with_unsaved_work_is_asked_first(
    desk: Desk, served: Serve, shown: Show
) -> None:
    page = shown(served(desk))
    intercept(page, "**/change", lambda route: route.abort())
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#saved")).to_contain_text("Not saved yet")
    asked: list[str] = []

    def stay(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.dismiss()

    page.on("dialog", stay)
    with page.expect_event("dialog"):
        page.close(run_before_unload=True)
    assert asked == ["beforeunload"]
    page.keyboard.press("1")  # whoever stays goes on
    expect(page.get_by_role("button", name="1 rim")).to_have_attribute("aria-pressed", "true")


def test_back_leads_to_what_was_shown_before(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    page.keyboard.press("g")
    expect(page.locator("#title")).to_contain_text("two")
    page.go_back()
    expect(page.locator("#title")).to_contain_text("one")
    page.go_back()

    expect(page.locator("#list")).to_be_visible()
    page.go_forward()
    expect(page.locator("#title")).to_contain_text("one")


def test_single_keys_act_after_signing_too(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#next")).to_be_focused()
    page.keyboard.press("w")
    expect(page.locator("#window-preset")).to_have_value("meniscus")
    page.keyboard.press("PageDown")
    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 13")
    page.keyboard.press("g")
    expect(page.locator("#title")).to_contain_text("two")

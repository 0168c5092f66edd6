"""The list of knees to be read, and the way from one to the next."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signing import reject
from tests.review.conftest import OpenDesk, Serve, begun
from tests.review.on_page import Held, middle_of

MOST_STOPS = 60
"""Elements of the page that take the focus; there are fewer."""


def test_ten_thousand_knees_are_listed_found_and_opened(
    samples: Path, tmp_path: Path, open_desk: OpenDesk, served: Serve, page: Page
) -> None:
    rows = [f"K{number:05d},{samples / 'exactly-3mm'}" for number in range(10_000)]
    work_list = tmp_path / "list.csv"
    work_list.write_text("knee,study\n" + "\n".join(rows) + "\n")
    page.goto(f"{served(open_desk(work_list)).address}#reader=AB")
    expect(page.locator("#list-progress")).to_have_text("0 of 10000 signed or rejected")
    expect(page.locator("#list")).to_be_focused()
    assert page.locator("#list .entry").count() < 60

    page.keyboard.press("End")
    expect(page.locator("#list .entry").last).to_contain_text("K09999")
    page.get_by_role("searchbox", name="Find").fill("K0512")
    expect(page.locator("#list .entry")).to_have_count(10)
    page.locator("#list").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")

    begun(page)
    expect(page.locator("#title")).to_have_text("K05121 · 5122 of 10000")


def test_after_a_signature_the_next_knee_is_one_key_away(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    for name in ("one", "two"):
        expect(page.locator("#title")).to_contain_text(name)
        begun(page)
        expect(page.locator("#results .value")).to_have_count(2)
        page.keyboard.press("Control+Enter")
        expect(page.locator("#signed")).to_contain_text("Signed by AB")
        if name == "one":
            expect(page.locator("#next")).to_be_focused()
            page.keyboard.press("Enter")
    page.get_by_role("button", name="All knees").click()
    expect(page.locator("#list-progress")).to_have_text("2 of 2 signed or rejected")


def test_a_long_list_scrolls_in_a_narrow_window_and_names_its_knees(
    samples: Path, tmp_path: Path, open_desk: OpenDesk, served: Serve, page: Page
) -> None:
    study = samples / "exactly-3mm"
    rows = [f"KNEE-{number:05d} left,{study}" for number in range(2000)]
    work_list = tmp_path / "list.csv"
    work_list.write_text("knee,study\n" + "\n".join(rows) + "\n")
    desk = open_desk(work_list)
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    reject(desk, place, "Other: test", desk.begin(place).revision, 83.0)
    page.set_viewport_size({"width": 360, "height": 640})
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#list")).to_be_focused()
    assert page.evaluate("scrollY") == 0
    assert page.locator("#list .entry").count() < 40
    name = page.locator("#list .entry .clip").first
    assert name.evaluate("(element) => element.scrollWidth <= element.clientWidth")

    page.keyboard.press("End")
    expect(page.locator("#list .entry").last).to_be_in_viewport()
    expect(page.locator("#list .entry").last).to_contain_text("KNEE-01999 left")


def test_a_list_is_worked_through_with_the_keyboard_alone(two_knees: tuple[Desk, Page]) -> None:
    desk, page = two_knees
    page.keyboard.press("x")
    expect(page.locator("#reject-reason")).to_be_focused()
    for _ in range(3):  # past the words and the way out
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#signed")).to_contain_text("Rejected (Images cannot be read) by AB")
    expect(page.locator("#next")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#title")).to_contain_text("two")
    begun(page)
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    page.keyboard.press("l")
    expect(page.locator("#list-progress")).to_have_text("2 of 2 signed or rejected")
    expect(page.locator("#list")).to_be_focused()
    for _ in range(2):  # past "Read the next knee"
        page.keyboard.press("Shift+Tab")
    page.keyboard.press("r")  # the first filter that begins so
    expect(page.locator("#list-progress")).to_contain_text("1 shown")
    for _ in range(2):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#title")).to_contain_text("one")
    begun(page)
    for _ in range(MOST_STOPS):
        if page.locator("#withdraw:focus").count():
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#signed")).to_have_text("Not signed yet")
    assert [entry.verdict for entry in desk.journal.all()] == ["rejected", "measured", "withdrawn"]


def test_an_entry_pressed_while_the_list_changes_its_size_is_opened_on_release(
    samples: Path, tmp_path: Path, open_desk: OpenDesk, served: Serve, page: Page
) -> None:
    work_list = tmp_path / "list.csv"
    rows = [f"K{number:02d},{samples / 'exactly-3mm'}" for number in range(60)]
    work_list.write_text("knee,study\n" + "\n".join(rows) + "\n")
    page.goto(f"{served(open_desk(work_list)).address}#reader=AB")
    expect(page.locator("#list")).to_be_focused()
    entries = page.locator("#list .entry").count()
    page.mouse.move(*middle_of(page, "#entry-3"))
    page.mouse.down()
    page.set_viewport_size({"width": 1280, "height": 700})
    expect(page.locator("#list .entry")).not_to_have_count(entries)
    page.mouse.up()
    expect(page.locator("#title")).to_contain_text("K03")


def test_an_entry_pressed_while_the_list_is_loaded_again_is_opened_on_release(
    two_knees: tuple[Desk, Page],
) -> None:
    _, page = two_knees
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    tasks = Held(page, "**/api/tasks")
    page.keyboard.press("l")
    tasks.wait()
    page.mouse.move(*middle_of(page, "#entry-1"))
    page.mouse.down()
    tasks.let_through()
    expect(page.locator("#list-progress")).to_have_text("1 of 2 signed or rejected")
    page.mouse.up()
    expect(page.locator("#title")).to_contain_text("two")

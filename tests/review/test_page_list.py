"""The list of knees to be read, and the way from one to the next."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

from meniscal_measure.review.desk import Desk
from tests.review.conftest import OpenDesk, Serve, begun


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

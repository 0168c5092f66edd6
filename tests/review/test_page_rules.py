"""What the page owes everyone: access, privacy, and room on a small screen."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest
from playwright.sync_api import Page, Response, expect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import box_of

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
"""axe-core of Deque Systems, MPL 2.0; used in tests only."""
GRAVE = ("serious", "critical")
DIALOGS = {
    "keys-dialog": "#to-keys",
    "reject-dialog": "#reject",
    "side-dialog": "#correct-side",
    "reader-dialog": "#to-reader",
}
"""Every dialog, and the button that opens it."""
NARROW = ((360, 740), (320, 200), (768, 1024))
"""A phone, 1280 x 800 at 400 %, a tablet."""
WANTED_IN_SIGHT = ("#sign", "#results", "#landmark-buttons", "#slice-slider", "#hint", "#stage")

OPEN_TERMS = Terms(Conventions())


def grave_findings(page: Page) -> list[str]:
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE)
    found = page.evaluate("(values) => axe.run({runOnly: {type: 'tag', values}})", WCAG)
    return [
        f"{violation['id']}: {node['html'][:120]}"
        for violation in found["violations"]
        for node in violation["nodes"]
        if violation["impact"] in GRAVE
    ]


def in_each_theme(page: Page) -> dict[str, list[str]]:
    dark = grave_findings(page)
    page.locator("#to-theme").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    return {"dark": dark, "light": grave_findings(page)}


def open_details(page: Page) -> None:
    closed = page.locator("details:not([open]) > summary:visible")
    while closed.count():
        closed.first.click()


@pytest.fixture
def full(painted: Callable[..., Path], open_desk: OpenDesk, served: Serve, shown: Show) -> Page:
    """A page on which everything there is can be seen: side question, planes, warnings."""
    study = painted(laterality=None, planes=("coronal", "sagittal"))
    return shown(served(open_desk(study)))


def test_the_page_says_what_it_is_without_being_asked(full: Page) -> None:
    expect(full.locator("#notice")).to_be_visible()
    expect(full.locator("#notice")).to_contain_text("not a diagnosis")


def test_the_reading_has_no_grave_finding(full: Page) -> None:
    full.keyboard.press("1")
    open_details(full)

    assert in_each_theme(full) == {"dark": [], "light": []}


def test_results_and_signature_have_no_grave_finding(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("root-tear")))
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")

    assert in_each_theme(page) == {"dark": [], "light": []}


def beyond_the_window(page: Page) -> list[str]:
    """What ends right of the window: out of sight, be it clipped, fixed or scrolled to.

    The layers of the slice are drawn anew a moment after the window changes.
    """
    found: list[str] = page.evaluate(
        """[...document.body.querySelectorAll("*:not(.away, #stage *, svg *)")]
           .filter((e) => e.checkVisibility() && e.getBoundingClientRect().width > 0)
           .filter((e) => e.getBoundingClientRect().right > window.innerWidth + 1)
           .map((e) => e.outerHTML.slice(0, 80))"""
    )
    return found


def test_narrow_windows_have_no_grave_finding(full: Page) -> None:
    for width, height in NARROW:
        full.set_viewport_size({"width": width, "height": height})
        open_details(full)
        assert beyond_the_window(full) == [], width
        assert grave_findings(full) == [], width


@pytest.mark.parametrize("width", [360, 1280])
def test_dialogs_have_no_grave_finding(
    open_desk: OpenDesk, served: Serve, shown: Show, width: int
) -> None:
    page = shown(served(open_desk("root-tear")))
    page.set_viewport_size({"width": width, "height": 740})
    for dialog, button in DIALOGS.items():
        page.locator(button).click()
        expect(page.locator(f"#{dialog}")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, dialog
        assert grave_findings(page) == [], dialog
        page.keyboard.press("Escape")
        expect(page.locator(f"#{dialog}")).to_be_hidden()

    there = page.evaluate("[...document.querySelectorAll('dialog')].map((e) => e.id)")
    assert set(there) == set(DIALOGS)


def test_two_visits_side_by_side_have_no_grave_finding(
    painted: Callable[..., Path], tmp_path: Path, served: Serve, page: Page
) -> None:
    knees = [Knee(day, painted(day, day=day)) for day in ("20250102", "20260102")]
    page.goto(f"{served(Desk(knees, tmp_path / 's.sqlite', OPEN_TERMS)).address}#reader=AB")
    page.locator("#list .entry").nth(1).click()
    page.locator("#to-earlier").click()
    expect(page.locator("#earlier-words")).to_contain_text("Earlier visit")

    assert grave_findings(page) == []


def test_the_list_and_the_question_for_the_reader_have_no_grave_finding(
    samples: Path, tmp_path: Path, served: Serve, page: Page
) -> None:
    knees = [Knee(f"K{number}", samples / "exactly-3mm") for number in range(50)]
    page.goto(served(Desk(knees, tmp_path / "list.sqlite", Terms(Conventions()))).address)
    expect(page.get_by_label("Name or pseudonym")).to_be_focused()
    assert grave_findings(page) == []

    page.keyboard.type("AB")
    page.keyboard.press("Enter")
    expect(page.locator("#list .entry").first).to_be_visible()
    assert grave_findings(page) == []

    page.get_by_label("Show").select_option("flagged")
    expect(page.locator("#list-progress")).to_contain_text("0 shown")
    assert grave_findings(page) == []


def test_every_button_can_be_reached_with_the_tab_key(full: Page) -> None:
    reached = set()
    for _ in range(60):
        full.keyboard.press("Tab")
        reached.add(full.evaluate("document.activeElement.id || document.activeElement.name"))
    wanted = full.evaluate(
        """[...document.querySelectorAll("button[id], select, textarea, input[type=range]")]
           .filter((e) => e.checkVisibility() && !e.disabled).map((e) => e.id)"""
    )

    assert set(wanted) <= reached


def test_a_screen_reader_is_told_the_values_when_they_come_to_rest(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("root-tear")))
    expect(page.locator("#announce")).to_have_text(
        re.compile(
            r"Slice \d+, image \d+\. Lateral .* mm, not above 3 mm\. Medial 5\.20 .* mm, above 3 mm"
        )
    )


def test_everything_for_signing_is_in_sight(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("root-tear")))
    for width, height in ((1024, 768), (1280, 800), (1920, 1080)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for wanted in WANTED_IN_SIGHT:
            box = box_of(page, wanted)
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= width
            assert box["y"] + box["height"] <= height
        stage = box_of(page, "#stage")
        assert stage["width"] * stage["height"] > 0.45 * width * height


def test_targets_are_large_enough_for_fingers(full: Page) -> None:
    small = full.evaluate(
        """[...document.querySelectorAll("button, select, textarea, summary, input[type=range]")]
           .filter((e) => e.checkVisibility())
           .filter((e) => Math.min(e.getBoundingClientRect().width,
                                   e.getBoundingClientRect().height) < 24)
           .map((e) => e.id || e.textContent)"""
    )

    assert small == []  # WCAG 2.2, 2.5.8 Target Size (Minimum): 24 CSS pixels


def test_the_page_asks_nobody_else_and_breaks_no_rule_of_its_own(
    open_desk: OpenDesk, served: Serve, page: Page
) -> None:
    client = served(open_desk("exactly-3mm"))
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(f"{client.address}#reader=AB")
    begun(page)
    open_details(page)
    page.keyboard.press("?")
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")

    assert len(asked) > 20
    assert all(url.startswith(client.address) for url in asked)
    assert said == []


def test_a_script_put_into_the_page_does_not_run(
    open_desk: OpenDesk, served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk("exactly-3mm")))
    refused = page.evaluate(
        """() => { try { document.body.innerHTML = "<img src=x onerror='window.ran = 1'>"; }
             catch (error) { return String(error); } }"""
    )

    assert "requires 'TrustedHTML'" in refused
    assert page.evaluate("window.ran") is None


def test_blinded_nothing_in_the_page_or_the_answers_tells_whose_knee_it_is(
    painted: Callable[..., Path], samples: Path, tmp_path: Path, served: Serve, page: Page
) -> None:
    landmarks = samples / "exactly-3mm" / "landmarks.json"
    knees = [
        Knee("SECRET-42", painted("Mustermann", planes=("coronal", "sagittal"))),
        Knee("SECRET-43", samples / "exactly-3mm", None, landmarks),
        Knee("SECRET-44", samples / "exactly-3mm" / "series-1"),
    ]
    terms = Terms(Conventions(), Blinding(seed=3, repeats=1))
    answers: list[Response] = []
    page.on("response", lambda answer: answers.append(answer))
    page.goto(f"{served(Desk(knees, tmp_path / 'blind.sqlite', terms)).address}#reader=AB")
    expect(page.locator("#list .entry")).to_have_count(4)
    telling = ["Mustermann", "SECRET", "PAINTED-4711", "PHANTOM", "20260102", "2.25.", "apex"]
    seen = []
    for number in range(4):
        page.locator("#list .entry").nth(number).click()
        begun(page)
        expect(page.locator("#todo")).to_have_text("Click the rim, image left")
        for key in "1", "5", "2":
            page.keyboard.press(key)
            page.keyboard.press("Enter")
            page.keyboard.press("Control+ArrowLeft" if key != "5" else "Control+ArrowRight")
        page.keyboard.press("Home")
        open_details(page)
        expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")
        seen.append(page.content() + page.title() + page.url)
        page.get_by_role("button", name="All knees").click()

    dom = "".join(seen)
    kept = page.evaluate("JSON.stringify({...localStorage, ...sessionStorage})")
    own = [answer for answer in answers if "/api/" in answer.url]
    assert len(own) > 60
    for word in telling:
        assert word not in dom
        assert word not in kept
        for answer in own:
            assert word.encode() not in answer.body(), f"{answer.url} tells {word}"
    assert page.get_by_text("Blinded: nothing is proposed").is_visible()

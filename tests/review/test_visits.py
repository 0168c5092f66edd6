"""The earlier visit of the same knee beside the present one, at the same slice as far as known."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect
from pydicom.uid import generate_uid

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.records.journal import Signing
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import PAINTED_POINTS, Serve, begun

EARLIER, NOW = "20250102", "20260102"
OPEN = Terms(Conventions())

Study = Callable[..., Knee]


@pytest.fixture
def study(painted: Callable[..., Path], tmp_path: Path) -> Study:
    """Write a visit, with landmarks on one slice where one is named."""

    def write(day: str, measured: int | None, **options: Any) -> Knee:
        folder = painted(f"visit-{day}", day=day, **options)
        if measured is None:
            return Knee(f"visit {day}", folder)
        landmarks = tmp_path / f"{day}.json"
        landmarks.write_text(json.dumps({"slice": measured, **PAINTED_POINTS}))
        return Knee(f"visit {day}", folder, None, landmarks)

    return write


def open_present(desk: Desk, page: Page, served: Serve) -> Page:
    page.goto(f"{served(desk).address}#reader=AB")
    page.locator("#list .entry", has_text=NOW).click()
    begun(page)
    return page


def compare(page: Page) -> None:
    """Ask for the earlier visit by key, once the page knows of it."""
    expect(page.locator("#to-earlier")).to_be_visible()
    page.keyboard.press("V")


def beside(page: Page, slice_index: int) -> None:
    expect(page.locator("#earlier-image")).to_have_attribute("data-slice", str(slice_index))


def test_without_a_common_frame_slices_go_together_by_their_distance_from_the_measured_ones(
    study: Study, tmp_path: Path, served: Serve, page: Page, sign_as_shown: Callable[..., Any]
) -> None:
    knees = [study(EARLIER, 7, slices=12), study(NOW, 4)]
    desk = Desk(knees, tmp_path / "s.sqlite", OPEN)
    task = desk.place("AB", desk.tasks("AB")[0]["id"])
    assert isinstance(sign_as_shown(desk, task, desk.begin(task).revision), Signing)
    open_present(desk, page, served)
    page.get_by_role("button", name="Earlier visit").click()

    beside(page, 7)
    expect(page.locator("#earlier-words")).to_contain_text("Earlier visit, 2025-01-02")
    expect(page.locator("#earlier-words")).to_contain_text("share no frame of reference")
    expect(page.locator("#earlier-signed")).to_contain_text("signed by AB: ")
    expect(page.locator("#earlier-signed")).to_contain_text("mm")
    stage = page.locator("#stage")
    drawn_before = stage.get_attribute("data-drawn") or ""
    stage.focus()
    page.keyboard.press("PageDown")
    expect(stage).not_to_have_attribute("data-drawn", drawn_before)
    shown_now = json.loads(stage.get_attribute("data-drawn") or "")
    beside(page, 7 + shown_now - 4)
    page.keyboard.press("V")
    expect(page.locator("#earlier")).to_be_hidden()


def test_in_a_common_frame_the_same_position_is_shown(
    study: Study, tmp_path: Path, served: Serve, page: Page
) -> None:
    frame = generate_uid()
    # 3 mm apart around the origin: of 12 slices, number i + 1 lies where number i of 10 does.
    knees = [
        study(EARLIER, None, slices=12, frame_of_reference=frame),
        study(NOW, 4, frame_of_reference=frame),
    ]
    open_present(Desk(knees, tmp_path / "s.sqlite", OPEN), page, served)
    compare(page)

    beside(page, 5)
    expect(page.locator("#earlier-words")).to_contain_text("at the same position")


def test_a_visit_of_which_no_slice_is_known_says_so(
    study: Study, tmp_path: Path, served: Serve, page: Page
) -> None:
    knees = [study(EARLIER, None), study(NOW, 4)]
    open_present(Desk(knees, tmp_path / "s.sqlite", OPEN), page, served)
    compare(page)

    beside(page, 5)
    expect(page.locator("#earlier-words")).to_contain_text("may be another part of the knee")


def test_an_earlier_slice_that_cannot_be_read_is_said_and_not_asked_for_again_and_again(
    study: Study, tmp_path: Path, served: Serve, page: Page
) -> None:
    knees = [study(EARLIER, 5), study(NOW, 5)]
    asked: list[str] = []
    refusal = {"kind": "UnreadableFileError", "message": "The image cannot be read."}

    def refuse(route: Route) -> None:
        asked.append(route.request.url)
        route.fulfill(status=422, json=refusal)

    page.route("**/earlier/slices/*", refuse)
    desk = Desk(knees, tmp_path / "store.sqlite", OPEN)
    shown = open_present(desk, page, served)
    compare(shown)
    expect(shown.locator("#earlier-words")).to_contain_text("cannot be read")
    for _ in range(5):  # each draws the page again
        shown.keyboard.press("w")
        expect(shown.locator("#stage")).to_have_attribute("aria-busy", "false")
    assert sorted(asked) == sorted(set(asked))


@pytest.mark.parametrize(
    ("other", "terms"),
    [
        ({"laterality": "L"}, OPEN),
        ({"patient": "Someone^Else"}, OPEN),
        ({"day": "20270102"}, OPEN),
        ({}, Terms(Conventions(), Blinding(seed=1))),
    ],
    ids=["the other knee", "another patient", "a later visit", "blinded"],
)
def test_no_other_knee_is_taken_for_an_earlier_visit(
    painted: Callable[..., Path],
    tmp_path: Path,
    served: Serve,
    other: dict[str, str],
    terms: Terms,
) -> None:
    knees = [
        Knee("first", painted("first", **{"day": EARLIER, **other})),
        Knee("second", painted("second", day=NOW)),
    ]
    desk = Desk(knees, tmp_path / "s.sqlite", terms)
    client = served(desk)
    for task in client.json("tasks")["tasks"]:
        if task["label"] != "first":
            assert client.json(f"tasks/{task['id']}/earlier") is None

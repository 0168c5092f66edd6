"""What a fast reader does on the page, and that only what was on the screen is stored."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import OpenDesk, Serve, Show
from tests.review.on_page import Held, at_rest, intercept, on_screen


@pytest.fixture
def desk(open_desk: OpenDesk) -> Desk:
    return open_desk("exactly-3mm")


@pytest.fixture
def proposed(desk: Desk, served: Serve, shown: Show) -> Page:
    """The page on a sample with its proposal, every slice fetched."""
    page = shown(served(desk))
    expect(page.locator("#results .value")).to_have_count(2)
    at_rest(page)
    return page


@pytest.fixture
def painted_page(
    painted: Callable[..., Path], tmp_path: Path, served: Serve, shown: Show
) -> tuple[Desk, Page]:
    """A painted knee with landmarks; outer edges can be snapped onto its painted edges."""
    landmarks = {
        "lateral_rim": [66, 120], "lateral_outer_edge": [61, 112],
        "medial_rim": [190, 120], "medial_outer_edge": [196, 112],
    }  # fmt: skip
    file = tmp_path / "landmarks.json"
    file.write_text(json.dumps({"slice": 5, **landmarks}))
    desk = Desk([Knee("knee", painted(), None, file)], tmp_path / "s.sqlite", Terms(Conventions()))
    page = shown(served(desk))
    expect(page.locator("#results .value")).to_have_count(2)
    at_rest(page)
    return desk, page


def place_of(desk: Desk, name: str) -> list[float]:
    """Where a landmark lies on the measured slice, as it is saved."""
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    state = json.loads(desk.begin(place).state)
    pixel: list[float] = state["landmarks"][str(state["slice"])][name]["pixel"]
    return pixel


def landmarks_saved(desk: Desk) -> dict[str, Any]:
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    saved: dict[str, Any] = json.loads(desk.begin(place).state)["landmarks"]
    return saved


def landmark_on_screen(page: Page, desk: Desk, name: str) -> tuple[float, float]:
    """Where a landmark of the measured slice lies in the window."""
    grid = desk.place("AB", desk.tasks("AB")[0]["id"]).knee.grids[0]
    return on_screen(page, place_of(desk, name), (grid.column_spacing_mm, grid.row_spacing_mm))


def signed_mm(desk: Desk) -> list[dict[str, float]]:
    return [entry.record["extrusion_mm"]["signed"] for entry in desk.journal.all()]


def shown_mm(page: Page) -> dict[str, float]:
    cards = {
        name: page.locator(f'section[aria-label="{name} extrusion"] .value').inner_text()
        for name in ("Medial", "Lateral")
    }
    return {name.lower(): float(text.split("±")[0]) for name, text in cards.items()}


# A drag


def test_a_wheel_notch_during_a_drag_changes_no_slice(desk: Desk, proposed: Page) -> None:
    page = proposed
    before = landmarks_saved(desk)
    x, y = landmark_on_screen(page, desk, "image_left_outer_edge")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20, y, steps=4)
    page.mouse.wheel(0, 120)
    page.mouse.move(x - 40, y, steps=4)
    page.mouse.up()
    at_rest(page)

    after = landmarks_saved(desk)
    changed = [index for index in after if after[index] != before.get(index)]
    assert changed == ["6"]
    expect(page.locator("#slice-label")).to_have_text("Slice 7 / 13")


@pytest.mark.parametrize("key", ["PageDown", "3", "m", "Control+z"])
def test_a_key_during_a_drag_ends_it_on_the_slice_where_it_began(
    desk: Desk, proposed: Page, key: str
) -> None:
    page = proposed
    before = landmarks_saved(desk)
    x, y = landmark_on_screen(page, desk, "image_left_outer_edge")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20, y, steps=4)
    page.keyboard.press(key)
    page.mouse.move(x - 60, y, steps=4)
    page.mouse.up()
    at_rest(page)

    after = landmarks_saved(desk)
    changed = {
        (index, name)
        for index, landmarks in after.items()
        for name, landmark in landmarks.items()
        if landmark != before.get(index, {}).get(name)
    }
    assert changed <= {("6", "image_left_outer_edge")}
    assert set(after) == set(before)


# What is on the screen


def test_nothing_is_signed_while_its_image_is_not_there(
    desk: Desk, served: Serve, page: Page
) -> None:
    page.route("**/slices/6", lambda route: route.abort())
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#results .value")).to_have_count(2)
    expect(page.locator("#todo")).to_contain_text("does not answer")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#saved")).to_contain_text(
        "Not signed. The image of slice 7, image 7 is not there"
    )
    assert list(desk.journal.all()) == []


def test_the_measured_slice_must_be_in_view_and_is_brought_there(
    desk: Desk, proposed: Page
) -> None:
    page = proposed
    page.keyboard.press("PageDown")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#saved")).to_contain_text("Not signed. The measured slice, slice 7")
    expect(page.locator("#slice-label")).to_have_text("Slice 7 / 13")
    assert list(desk.journal.all()) == []
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")


def test_landmarks_must_be_in_view_too(desk: Desk, proposed: Page) -> None:
    page = proposed
    for _ in range(12):
        page.keyboard.press("Alt+ArrowRight")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#saved")).to_contain_text("Not signed. A landmark was outside the view")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")


SLOW_FRAMES = """const frame = window.requestAnimationFrame.bind(window);
window.requestAnimationFrame = (draw) => setTimeout(() => frame(draw), 50);
const repeat = window.setInterval.bind(window), wait = window.setTimeout.bind(window);
window.setInterval = (act, ms) => repeat(act, ms / 100);
window.setTimeout = (act, ms) => wait(act, ms === 1000 ? 10 : ms);"""
"""A browser in which a second is over before a frame is drawn."""


def test_signing_waits_for_a_slow_screen(
    desk: Desk, served: Serve, shown: Show, page: Page
) -> None:
    page.add_init_script(SLOW_FRAMES)
    shown(served(desk))
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    assert signed_mm(desk)[0]["medial"] == pytest.approx(3.5, abs=0.01)


# Pending answers


def test_signing_waits_for_a_snap(painted_page: tuple[Desk, Page]) -> None:
    desk, page = painted_page
    snap = Held(page, "**/snap")
    page.keyboard.press("2")
    page.keyboard.press("e")
    page.keyboard.press("Control+Enter")
    snap.wait()
    assert list(desk.journal.all()) == []
    snap.let_through()

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    state = signing.record["state"]
    assert state["landmarks"]["5"]["image_left_outer_edge"]["origin"] == "refined"
    assert signed_mm(desk)[0] == pytest.approx(shown_mm(page), abs=0.005)


def test_signing_waits_for_the_millimetres(desk: Desk, proposed: Page) -> None:
    page = proposed
    measure = Held(page, "**/measure")
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Control+Enter")
    measure.wait()
    assert list(desk.journal.all()) == []
    measure.let_through()

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    assert shown_mm(page)["medial"] == pytest.approx(3.5, abs=0.01)
    assert signed_mm(desk)[0] == pytest.approx(shown_mm(page), abs=0.005)


def test_a_change_that_is_not_saved_yet_is_no_longer_said_to_be_signed(proposed: Page) -> None:
    page = proposed
    page.keyboard.press("Control+Enter")
    expect(page.locator("#sign")).to_have_text("Signed")
    change = Held(page, "**/change")
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    change.wait()
    expect(page.locator("#sign")).to_have_text("Sign again as AB")
    expect(page.locator("#signed")).to_contain_text("Changed since")
    change.let_through()
    at_rest(page)
    page.keyboard.press("Control+z")
    at_rest(page)

    expect(page.locator("#sign")).to_have_text("Signed")  # it is what was signed again


def test_a_snap_that_is_answered_late_does_not_undo_what_was_done_since(
    painted_page: tuple[Desk, Page],
) -> None:
    desk, page = painted_page
    snap = Held(page, "**/snap")
    page.keyboard.press("2")
    page.keyboard.press("e")
    page.keyboard.press("Control+ArrowUp")
    snap.wait()
    snap.let_through()
    at_rest(page)

    assert place_of(desk, "image_left_outer_edge") == pytest.approx([61.0, 102.0])


def test_a_difference_between_screen_and_store_is_refused(desk: Desk, served: Serve) -> None:
    client = served(desk)
    base = f"tasks/{client.first_task()}"
    working = client.json(f"{base}/desk")
    shown = client.shown(base, working)
    other_mm = {**shown, "extrusion_mm": {**shown["extrusion_mm"], "medial": 2.9}}
    moved = json.loads(json.dumps(shown))
    moved["state"]["landmarks"]["6"]["image_left_rim"]["pixel"][0] += 1

    for body in (other_mm, moved, {**shown, "extrusion_mm": {}}):
        status, content = client.ask(f"{base}/sign", body)
        assert status == 409
        assert b"is not what is saved, so nothing was signed" in content
    assert list(desk.journal.all()) == []


# One signing for each state


def test_the_next_knee_waits_for_the_signature_of_this_one(two_knees: tuple[Desk, Page]) -> None:
    desk, page = two_knees
    sign = Held(page, "**/sign")
    page.keyboard.press("Control+Enter")
    page.keyboard.press("g")
    sign.wait()
    expect(page.locator("#title")).to_contain_text("one")
    sign.let_through()
    expect(page.locator("#title")).to_contain_text("two")

    assert [task["status"] for task in desk.tasks("AB")] == ["measured", ""]
    page.get_by_role("button", name="All knees").click()
    expect(page.locator("#list-progress")).to_have_text("1 of 2 signed or rejected")


def test_a_knee_that_was_not_signed_stays_in_view(two_knees: tuple[Desk, Page]) -> None:
    _, page = two_knees
    intercept(page, "**/sign", lambda route: route.abort())
    page.keyboard.press("Control+Enter")
    page.keyboard.press("g")

    expect(page.locator("#saved")).to_contain_text("is not signed. Go on once more to leave it")
    expect(page.locator("#title")).to_contain_text("one")
    page.keyboard.press("g")
    expect(page.locator("#title")).to_contain_text("two")


def test_a_double_click_and_repeated_keys_sign_once(desk: Desk, proposed: Page) -> None:
    page = proposed
    page.locator("#sign").dblclick()
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    for _ in range(3):
        page.keyboard.press("Control+Enter")
    at_rest(page)

    expect(page.locator("#trouble")).to_be_hidden()
    assert len(list(desk.journal.all())) == 1


def test_the_same_state_is_signed_once_whoever_asks_again(desk: Desk, served: Serve) -> None:
    client = served(desk)
    base = f"tasks/{client.first_task()}"
    shown = client.shown(base, client.json(f"{base}/desk"))
    first, second = (client.json(f"{base}/sign", shown) for _ in range(2))

    assert first["signed"]["number"] == second["signed"]["number"] == 1
    changed = {**shown["state"], "remark": "again"}
    working = client.json(f"{base}/change", {"revision": second["revision"], "state": changed})
    assert client.sign(base, working)["signed"]["number"] == 2

"""The page in a real browser: from the proposal to the signature, by mouse, key and finger."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, Response, expect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import OpenDesk, Serve, Show, begun
from tests.review.on_page import at_rest, box_of, on_screen

ZOOMED = """([least, most]) => {
    const { scale } = JSON.parse(document.getElementById("stage").dataset.view);
    return least < scale && scale < most; }"""

DRAG_MM = 0.05
"""How near a drag to the true points must come to the true extrusion."""


@dataclass(frozen=True)
class Sample:
    """A sample whose proposal is off the truth, and where the truth lies on the page."""

    folder: Path

    @property
    def slices(self) -> list[dict[str, Any]]:
        content = json.loads((self.folder / "landmarks.json").read_text())
        slices: list[dict[str, Any]] = content["slices"]
        return slices

    @property
    def measured(self) -> dict[str, Any]:
        return self.slices[0]

    def true_mm(self, compartment: str) -> float:
        series = json.loads((self.folder / "truth.json").read_text())["series"][0]
        (found,) = (
            item
            for item in series["slices"]
            if item["sop_instance_uid"] == self.measured["slice"]["sop_instance_uid"]
        )
        value: float = found[compartment]["extrusion_mm"]
        return value

    def displaced(self, path: Path) -> Path:
        """Write its landmarks, each a few pixels off."""
        off = {"medial_outer_edge": (-3, 4), "lateral_outer_edge": (4, 2), "medial_rim": (2, -3)}
        points = {
            name: [value[0] + off.get(name, (0, 0))[0], value[1] + off.get(name, (0, 0))[1]]
            for name, value in self.measured.items()
            if name.endswith(("_rim", "_outer_edge", "_free_edge"))
        }
        path.write_text(json.dumps({"slice": self.measured["slice"], **points}))
        return path


@pytest.fixture
def displaced(samples: Path, tmp_path: Path) -> Callable[[str], tuple[Sample, Desk]]:
    """A desk on a sample whose landmark file is off the truth."""

    def build(name: str) -> tuple[Sample, Desk]:
        sample = Sample(samples / name)
        landmarks = sample.displaced(tmp_path / "landmarks.json")
        knee = Knee(name, sample.folder / "series-1", None, landmarks)
        return sample, Desk([knee], tmp_path / "store.sqlite", Terms(Conventions()))

    return build


@pytest.fixture
def proposed(open_desk: OpenDesk, served: Serve, shown: Show) -> Page:
    """The page on a sample with its proposal, opened by reader AB."""
    return shown(served(open_desk("exactly-3mm")))


def drag(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=8)
    page.mouse.up()


def extrusion_mm(page: Page, name: str) -> float:
    text = page.locator(f'section[aria-label="{name} extrusion"] .value').inner_text()
    return float(text.split("±")[0])


@pytest.mark.parametrize("name", ["exactly-3mm", "rectangular-oblique"])
def test_dragging_the_points_to_the_truth_gives_the_true_millimetres(
    displaced: Callable[[str], tuple[Sample, Desk]], served: Serve, shown: Show, name: str
) -> None:
    sample, desk = displaced(name)
    page = shown(served(desk))
    grid = desk.place("AB", desk.tasks("AB")[0]["id"]).knee.grids[0]
    spacing_mm = (grid.column_spacing_mm, grid.row_spacing_mm)
    before = json.loads((desk.knees[0].landmarks or Path()).read_text())

    for point in ("medial_rim", "medial_outer_edge", "lateral_outer_edge"):
        start = on_screen(page, before[point], spacing_mm)
        drag(page, start, on_screen(page, sample.measured[point], spacing_mm))
        page.keyboard.press("Escape")
    at_rest(page)

    for compartment in ("medial", "lateral"):
        value = extrusion_mm(page, compartment.capitalize())
        assert value == pytest.approx(sample.true_mm(compartment), abs=DRAG_MM)


def test_a_reading_is_signed_with_the_keyboard_alone(
    open_desk: OpenDesk, served: Serve, page: Page
) -> None:
    desk = open_desk("exactly-3mm")
    page.goto(served(desk).address)
    page.keyboard.type("Reader Δ")
    page.keyboard.press("Enter")
    begun(page)
    start = extrusion_mm(page, "Medial")

    page.keyboard.press("2")
    for _ in range(4):
        page.keyboard.press("Shift+ArrowLeft")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#signed")).to_contain_text("Signed by Reader Δ")
    # 3.5 columns of 0.5 mm outward.
    assert extrusion_mm(page, "Medial") == pytest.approx(start + 1.75, abs=0.02)
    (signing,) = desk.journal.all()
    assert signing.key.reader == "Reader Δ"
    assert signing.record["extrusion_mm"]["signed"]["medial"] == pytest.approx(4.75, abs=0.02)


def test_a_knee_without_proposal_is_measured_with_the_keyboard_alone(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    desk = open_desk(painted())
    page = shown(served(desk))
    places = {"1": (-7, 0), "2": (-8, -1), "3": (-5, 0), "5": (7, 0), "6": (6, -1), "7": (5, 0)}

    for key, (right, down) in places.items():
        page.keyboard.press(key)
        page.keyboard.press("Enter")
        for arrow, count in (
            ("ArrowRight" if right > 0 else "ArrowLeft", abs(right)),
            ("ArrowDown" if down > 0 else "ArrowUp", abs(down)),
        ):
            for _ in range(count):
                page.keyboard.press(f"Control+{arrow}")
    page.keyboard.press("Control+Enter")

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    (signing,) = desk.journal.all()
    # Right knee: medial is to the patient's left, on the right of the image; ten columns are 5 mm.
    assert signing.record["extrusion_mm"]["signed"] == {
        "medial": pytest.approx(-5.0),
        "lateral": pytest.approx(5.0),
    }


def test_points_are_placed_one_after_the_other_by_clicking(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted())))
    expect(page.locator("#todo")).to_have_text("Click the rim, image left")

    for pixel in ([60, 120], [52, 112], [80, 120], [196, 120], [200, 112], [170, 120]):
        page.mouse.click(*on_screen(page, [float(value) for value in pixel], (0.5, 0.5)))

    expect(page.locator("#todo")).to_be_hidden()
    at_rest(page)
    assert extrusion_mm(page, "Lateral") == pytest.approx(4.0, abs=DRAG_MM)
    assert extrusion_mm(page, "Medial") == pytest.approx(2.0, abs=DRAG_MM)


def test_an_outer_edge_is_snapped_by_key_and_after_a_drag_but_only_if_asked_for(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted())))
    start, edge_column = [61.2, 112.0], 60.3
    for pixel in ([66.0, 120.0], start, [80.0, 120.0], [196.0, 120.0], [200.0, 112.0]):
        page.mouse.click(*on_screen(page, pixel, (0.5, 0.5)))
    at_rest(page)
    by_hand = extrusion_mm(page, "Lateral")
    edge = page.get_by_role("button", name="2 outer edge")
    expect(edge).to_contain_text("placed")

    page.keyboard.press("2")
    page.keyboard.press("e")
    expect(edge).to_contain_text("on the edge")
    at_rest(page)
    on_edge = extrusion_mm(page, "Lateral")
    assert on_edge - by_hand == pytest.approx((start[0] - edge_column) * 0.5, abs=DRAG_MM)

    drag(
        page, on_screen(page, [edge_column, 112.0], (0.5, 0.5)), on_screen(page, start, (0.5, 0.5))
    )
    expect(edge).to_contain_text("placed")
    page.get_by_label("after each drag").check()
    drag(page, on_screen(page, start, (0.5, 0.5)), on_screen(page, [59.5, 112.0], (0.5, 0.5)))
    expect(edge).to_contain_text("on the edge")
    at_rest(page)
    assert extrusion_mm(page, "Lateral") == pytest.approx(on_edge, abs=DRAG_MM)


def saves_slice(index: int) -> Callable[[Response], bool]:
    def holds(answer: Response) -> bool:
        sent = answer.request.post_data
        return answer.url.endswith("/view") and json.loads(sent or "")["view"]["slice"] == index

    return holds


def test_everything_is_found_as_it_was_left(proposed: Page) -> None:
    page = proposed
    page.keyboard.press("2")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("w")
    with page.expect_response(saves_slice(7)):  # once the reader has come to rest
        page.keyboard.press("PageDown")
    page.locator("#quality summary").click()
    page.get_by_label("Motion").check()
    page.get_by_label("Remark").fill("a little motion")
    at_rest(page)
    left = {
        "medial": extrusion_mm(page, "Medial"),
        "slice": page.locator("#slice-label").inner_text(),
        "window": page.locator("#window-preset").input_value(),
        "view": page.locator("#stage").get_attribute("data-view"),
    }

    page.reload()
    begun(page)

    page.locator("#quality summary").click()
    expect(page.get_by_label("Motion")).to_be_checked()
    expect(page.get_by_label("Remark")).to_have_value("a little motion")
    assert left == {
        "medial": extrusion_mm(page, "Medial"),
        "slice": page.locator("#slice-label").inner_text(),
        "window": page.locator("#window-preset").input_value(),
        "view": page.locator("#stage").get_attribute("data-view"),
    }
    assert left["window"] == "meniscus"


def test_steps_are_undone_and_done_again_even_after_a_reload(proposed: Page) -> None:
    page = proposed
    start = extrusion_mm(page, "Medial")
    page.keyboard.press("2")
    page.keyboard.press("Control+ArrowLeft")
    at_rest(page)
    moved = extrusion_mm(page, "Medial")
    assert moved > start + 4

    page.reload()
    begun(page)
    page.keyboard.press("u")
    card = page.locator('section[aria-label="Medial extrusion"] .value')
    expect(card).to_contain_text(f"{start:.2f}")
    page.keyboard.press("r")
    expect(card).to_contain_text(f"{moved:.2f}")


def test_two_tabs_never_overwrite_each_other(
    open_desk: OpenDesk, served: Serve, shown: Show, page: Page
) -> None:
    desk = open_desk("exactly-3mm")
    client = served(desk)
    first, second = shown(client), shown(client, tab=page.context.new_page())
    for tab, key in ((first, "Shift+ArrowLeft"), (second, "Control+ArrowLeft")):
        tab.bring_to_front()
        tab.keyboard.press("2")
        tab.keyboard.press(key)
        if tab is first:
            at_rest(tab)

    expect(second.locator("#trouble")).to_contain_text("changed in another tab")
    expect(second.locator('section[aria-label="Medial extrusion"] .value')).to_contain_text("3.50")
    second.keyboard.press("Shift+ArrowLeft")
    at_rest(second)
    expect(second.locator("#trouble")).to_be_hidden()
    assert extrusion_mm(second, "Medial") == pytest.approx(4.0, abs=0.02)


def test_another_slice_is_measured_only_once_its_points_were_looked_at(proposed: Page) -> None:
    page = proposed
    page.keyboard.press("End")
    for _ in range(12):
        page.keyboard.press("PageDown")
    expect(page.locator("#stage")).to_have_attribute("data-drawn", "12")
    page.keyboard.press("m")
    expect(page.locator("#message")).to_contain_text("carried over from another slice")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saved")).to_contain_text("Not signed. Landmarks were carried over")

    page.keyboard.press("a")
    at_rest(page)
    page.keyboard.press("Control+Enter")

    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    page.keyboard.press("Escape")
    page.keyboard.press("Home")
    expect(page.locator("#slice-label")).to_have_text("Slice 7 / 13")


def test_an_unknown_side_is_asked_for_and_named(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted(laterality=None))))
    for pixel in ([60, 120], [52, 112], [80, 120], [196, 120], [200, 112], [170, 120]):
        page.mouse.click(*on_screen(page, [float(value) for value in pixel], (0.5, 0.5)))
    at_rest(page)
    expect(page.locator("#results h2").first).to_have_text("Image left")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#saved")).to_contain_text("whether this is a left or a right knee")

    page.get_by_label("left", exact=True).check()

    # Left knee: medial is to the patient's right, on the left of the image.
    expect(page.locator("#results h2").first).to_have_text("Medial")
    page.get_by_role("button", name="Sign as AB").click()
    expect(page.locator("#signed")).to_contain_text("Signed by AB")


def test_a_knee_is_rejected_with_a_reason(open_desk: OpenDesk, served: Serve, shown: Show) -> None:
    desk = open_desk("exactly-3mm")
    page = shown(served(desk))
    page.keyboard.press("x")
    page.get_by_label("Reason").select_option("Previous surgery or deformity")
    page.get_by_role("button", name="Reject and sign").click()

    expect(page.locator("#signed")).to_contain_text(
        "Rejected (Previous surgery or deformity) by AB"
    )
    (signing,) = desk.journal.all()
    assert signing.record["rejection"] == "Previous surgery or deformity"


def test_the_window_changes_the_grey_values_and_zoom_keeps_the_point_under_the_pointer(
    proposed: Page,
) -> None:
    page = proposed
    grey = """() => { const c = document.getElementById("image");
        const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
        return d.reduce((sum, value) => sum + value, 0) / d.length; }"""
    overview = page.evaluate(grey)
    page.keyboard.press("w")
    page.wait_for_function(f"(least) => ({grey})() > least", arg=overview + 5)

    box = box_of(page, "#stage")
    pointer = (box["x"] + 300, box["y"] + 200)
    before = page.locator("#stage").get_attribute("data-view") or ""
    view = json.loads(before)
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    under = [
        (pointer[axis] - middle[axis]) / view["scale"] + view["centre"][axis] for axis in (0, 1)
    ]
    page.mouse.move(*pointer)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -300)
    page.keyboard.up("Control")
    expect(page.locator("#stage")).not_to_have_attribute("data-view", before)
    zoomed = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    assert zoomed["scale"] > view["scale"] * 1.5
    assert on_screen(page, under, (1.0, 1.0)) == pytest.approx(pointer, abs=0.5)


def test_the_scale_is_round_and_fits_whatever_the_zoom(proposed: Page) -> None:
    page = proposed
    lengths = []
    for key, times in (("+", 20), ("-", 60)):
        for _ in range(times):
            page.keyboard.press(key)
        page.evaluate("() => new Promise((drawn) => requestAnimationFrame(drawn))")
        scale = json.loads(page.locator("#stage").get_attribute("data-view") or "")["scale"]
        box = box_of(page, "#scale")
        lengths.append(int(page.locator("#scale-words").inner_text().removesuffix(" mm")))
        assert box["width"] == pytest.approx(lengths[-1] * scale, abs=1)
        assert 20 < box["width"] < 250
    assert lengths[0] < 10 < lengths[1]


def test_a_finger_drags_a_point_and_two_fingers_zoom(
    open_desk: OpenDesk, served: Serve, shown: Show, open_window: Callable[..., BrowserContext]
) -> None:
    desk = open_desk("exactly-3mm")
    client = served(desk)
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    state = json.loads(desk.begin(place).state)
    edge = state["landmarks"][str(state["slice"])]["image_left_outer_edge"]["pixel"]
    context = open_window(viewport={"width": 1024, "height": 768}, has_touch=True)
    page = shown(client, tab=context.new_page())
    before = extrusion_mm(page, "Medial")
    x, y = on_screen(page, edge, (0.5, 0.5))
    finger = context.new_cdp_session(page)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        places = [{"x": px, "y": py, "id": at} for at, (px, py) in enumerate(points)]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

    touch("touchStart", (x - 12, y - 9))  # beside it, as fingers do
    expect(page.locator("#inset")).to_be_visible()
    for step in range(1, 6):
        touch("touchMove", (x - 12 - step * 4, y - 9))
    touch("touchEnd")
    at_rest(page)
    scale = json.loads(page.locator("#stage").get_attribute("data-view") or "")["scale"]
    assert extrusion_mm(page, "Medial") == pytest.approx(before + 20 / scale, abs=DRAG_MM)

    touch("touchStart", (300, 300), (400, 300))
    touch("touchMove", (250, 300), (450, 300))
    touch("touchEnd")
    page.wait_for_function(ZOOMED, arg=[2 * scale * 0.95, 2 * scale * 1.05])


def test_the_other_planes_show_where_the_slice_cuts_them(
    open_desk: OpenDesk, painted: Callable[..., Path], served: Serve, shown: Show
) -> None:
    page = shown(served(open_desk(painted(planes=("coronal", "sagittal")))))
    page.locator("#planes summary").click()
    plane = page.locator("#plane")
    expect(plane).to_have_attribute("aria-label", re.compile("sagittal slice 5; the solid line"))
    line = """() => { const c = document.getElementById("plane");
        const d = c.getContext("2d").getImageData(0, c.height / 2, c.width, 1).data;
        let right = 0;
        for (let x = 0; x < c.width; x += 1) if (d[4 * x + 2] > d[4 * x] + 60) right = x;
        return right / c.width; }"""
    before = page.evaluate(line)
    page.locator("#stage").focus()
    page.keyboard.press("PageDown")
    page.keyboard.press("PageDown")
    expect(page.locator("#slice-label")).to_have_text("Slice 8 / 10")
    # Two slices of 3 mm to posterior, which is to the right, on a field of 256 x 0.5 mm.
    assert page.evaluate(line) - before == pytest.approx(6 / 128, abs=0.004)

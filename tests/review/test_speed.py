"""How fast the page is. Run with `pytest tests/review/test_speed.py --benchmark-only`.

Measured, never asserted: what is looked at is in the columns and in `extra_info` of the JSON
(`--benchmark-json`), printed here too: frame times and latencies, median and 95th percentile.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee, open_worklist

FRAME_CATEGORIES = ["devtools.timeline", "disabled-by-default-devtools.timeline.frame"]
FRAMES = 240
SLICES = 30
LATE_MS = 25
"""An interval this long has missed a frame of a screen that shows 60 in a second."""

EVERY_FRAME = """() => { window.frames_ms = []; let last = 0;
    const frame = (now) => { if (last) frames_ms.push(now - last); last = now;
                             requestAnimationFrame(frame); };
    requestAnimationFrame(frame); }"""

DRAG = """([x, y, frames]) => new Promise((done) => {
    const stage = document.getElementById("stage"); let at = 0;
    const frame = () => {
      const place = { clientX: x - (at % 40) / 2, clientY: y + (at % 20) / 2 };
      const options = { pointerId: 1, pointerType: "mouse", bubbles: true, ...place };
      stage.dispatchEvent(new PointerEvent("pointermove", options));
      at += 1; if (at < frames) requestAnimationFrame(frame); else done(); };
    requestAnimationFrame(frame); })"""

THROUGH_SLICES = """([kind, frames, last]) => new Promise((done) => {
    const stage = document.getElementById("stage"); let at = 0;
    const frame = () => {
      const isDown = Math.floor(at / last) % 2 === 0, options = { bubbles: true, cancelable: true };
      stage.dispatchEvent(kind === "key"
        ? new KeyboardEvent("keydown", { key: isDown ? "PageDown" : "PageUp", ...options })
        : new WheelEvent("wheel", { deltaY: isDown ? 60 : -60, ...options }));
      at += 1; if (at < frames) requestAnimationFrame(frame); else done(); };
    requestAnimationFrame(frame); })"""

SHOWN_AFTER = """async ([x, y, moves]) => {
    const stage = document.getElementById("stage"), found = [];
    for (let at = 0; at < moves; at += 1) {
      const place = { clientX: x - 8 * (1 + at % 2), clientY: y };
      const start = performance.now();
      const changed = new Promise((done) => new MutationObserver((_, watch) => {
        watch.disconnect(); done(performance.now() - start);
      }).observe(document.getElementById("results"),
                 { subtree: true, childList: true, characterData: true }));
      const options = { pointerId: 1, pointerType: "mouse", bubbles: true, ...place };
      stage.dispatchEvent(new PointerEvent("pointermove", options));
      found.push(await changed);
      await new Promise((rested) => setTimeout(rested, 60)); }
    return found; }"""

LATENCIES = """() => performance.getEntriesByType("resource")
    .filter((entry) => entry.name.endsWith("/measure")).slice(1)
    .map((entry) => entry.responseEnd - entry.startTime)"""

ALL_SLICES_HERE = """(count) => performance.getEntriesByType("resource")
    .filter((entry) => /slices\\/\\d+$/.test(entry.name) && entry.responseEnd).length >= count"""

POINTS = {
    "lateral_rim": [60, 120],
    "lateral_outer_edge": [50, 112],
    "lateral_free_edge": [80, 120],
    "medial_rim": [196, 120],
    "medial_outer_edge": [205, 112],
    "medial_free_edge": [170, 120],
}


@pytest.fixture
def desk(painted: Callable[..., Path], tmp_path: Path) -> Desk:
    """A series of 30 slices of 512 x 512 pixels with points on five of them."""
    file = tmp_path / "landmarks.json"
    slices = [{"slice": index, **POINTS} for index in (15, 13, 14, 16, 17)]
    file.write_text(json.dumps({"slices": slices}))
    study = painted(rows=512, columns=512, slices=SLICES)
    return Desk([Knee("knee", study, None, file)], tmp_path / "s.sqlite", Terms(Conventions()))


def some_rounds(benchmark: BenchmarkFixture, act: Callable[[], object], rounds: int) -> None:
    # pytest-benchmark types this method not at all.
    benchmark.pedantic(act, rounds=rounds, iterations=1)  # type: ignore[no-untyped-call]


def note(benchmark: BenchmarkFixture, name: str, values_ms: list[float]) -> None:
    middle, high = np.percentile(values_ms, [50, 95])
    late = sum(value > LATE_MS for value in values_ms)
    benchmark.extra_info[name] = {
        "n": len(values_ms), "median_ms": middle, "p95_ms": high, f"over_{LATE_MS}_ms": late
    }  # fmt: skip
    print(
        f"\n{name}: n {len(values_ms)}, median {middle:.1f} ms, p95 {high:.1f} ms,"
        f" {late} over {LATE_MS} ms"
    )


def test_millimetres_of_one_slice_over_http(
    benchmark: BenchmarkFixture, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    client = served(desk)
    base = f"tasks/{client.first_task()}"
    state = client.json(f"{base}/desk")["state"]

    benchmark(client.json, f"{base}/slices/15/measure", {"state": state})


def test_one_slice_over_http(
    benchmark: BenchmarkFixture, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    client = served(desk)
    benchmark(client.ask, f"tasks/{client.first_task()}/slices/15")


def test_first_slice_on_screen(
    benchmark: BenchmarkFixture, desk: Desk, served: Callable[[Desk], Any], page: Page
) -> None:
    client = served(desk)

    def open_page() -> None:
        page.goto("about:blank")
        page.goto(f"{client.address}#reader=AB")
        page.wait_for_selector("#stage[data-drawn]")

    some_rounds(benchmark, open_page, 7)


def test_a_list_of_ten_thousand_knees_on_screen(
    benchmark: BenchmarkFixture, tmp_path: Path, served: Callable[[Desk], Any], page: Page
) -> None:
    path = tmp_path / "list.csv"
    path.write_text("knee,study\n" + "".join(f"K{n:05d},somewhere\n" for n in range(10_000)))
    client = served(Desk(open_worklist(path), tmp_path / "s.sqlite", Terms(Conventions())))

    def open_page() -> None:
        page.goto("about:blank")
        page.goto(f"{client.address}#reader=AB")
        page.wait_for_selector("#list .entry")

    some_rounds(benchmark, open_page, 5)


def drawn_ms(trace: bytes) -> list[float]:
    """Milliseconds between frames that reached the screen, from the browser's own trace."""
    events = json.loads(trace)["traceEvents"]
    at = sorted(event["ts"] for event in events if event["name"] == "DrawFrame")
    return [(later - earlier) / 1000 for earlier, later in pairwise(at)]


def test_frames_while_a_point_is_dragged(
    benchmark: BenchmarkFixture,
    browser: Browser,
    desk: Desk,
    served: Callable[[Desk], Any],
    shown: Callable[..., Page],
) -> None:
    page = shown(served(desk))
    page.keyboard.press("2")
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    box = page.locator("#stage").bounding_box()
    assert box is not None
    x = box["x"] + box["width"] / 2 + (50 * 0.5 - view["centre"][0]) * view["scale"]
    y = box["y"] + box["height"] / 2 + (112 * 0.5 - view["centre"][1]) * view["scale"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(EVERY_FRAME)
    browser.start_tracing(page=page, categories=FRAME_CATEGORIES)
    some_rounds(benchmark, lambda: page.evaluate(DRAG, [x, y, FRAMES]), 1)
    trace = browser.stop_tracing()
    shown_after_ms = page.evaluate(SHOWN_AFTER, [x, y, 60])
    page.mouse.up()

    note(benchmark, "frames of the page", page.evaluate("frames_ms.slice(0, -5)"))
    note(benchmark, "frames drawn while a point is dragged", drawn_ms(trace))
    note(benchmark, "from a move to its millimetres on the page", shown_after_ms)
    note(benchmark, "millimetres", page.evaluate(LATENCIES))


@pytest.mark.parametrize("kind", ["key", "wheel"])
def test_frames_while_slices_are_changed(
    benchmark: BenchmarkFixture,
    browser: Browser,
    desk: Desk,
    served: Callable[[Desk], Any],
    shown: Callable[..., Page],
    kind: str,
) -> None:
    """Another slice in every frame, faster than a held key repeats, from end to end and back."""
    page = shown(served(desk))
    page.wait_for_function(ALL_SLICES_HERE, arg=SLICES)
    page.locator("#slice-slider").fill("1")
    expect(page.locator("#stage")).to_have_attribute("data-drawn", "0")
    page.evaluate(EVERY_FRAME)
    browser.start_tracing(page=page, categories=FRAME_CATEGORIES)
    some_rounds(benchmark, lambda: page.evaluate(THROUGH_SLICES, [kind, FRAMES, SLICES - 1]), 1)
    trace = browser.stop_tracing()

    note(benchmark, "frames of the page", page.evaluate("frames_ms.slice(0, -5)"))
    note(benchmark, f"frames drawn while slices change by {kind}", drawn_ms(trace))

"""How fast the review page is, beside a bare page that draws the same pictures in the same run.

`python tests/benchmarks/review_page.py frames` (drags, changes of slice, memory), `opening` (first
image, ready) and `many` (memory on both sides while 200 knees are paged through). Measured, never
asserted.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Browser, CDPSession, Page, expect, sync_playwright

from tests.conftest import REPOSITORY
from tests.review.conftest import CHROMIUM, CHROMIUM_ARGUMENTS, Painted
from tests.review.test_speed import (
    DRAG,
    EVERY_FRAME,
    FRAME_CATEGORIES,
    FRAMES,
    POINTS,
    SLICES,
    THROUGH_SLICES,
)

KNEES = 200
ROUNDS = 3
WINDOW = {"width": 1280, "height": 800}

BARE = Path(__file__).with_name("bare_page.js").read_text()
"""Draws the slices of the page, and as many marks, with nothing around them."""


WORK = ("RunTask", "ThreadControllerImpl::RunTask")
TRACED = [*FRAME_CATEGORIES, "toplevel"]


@contextmanager
def program(*arguments: str) -> Iterator[tuple[str, int]]:
    """Run the command a reader runs; its address and process."""
    code = "from meniscal_measure.cli import app; app()"
    command = [sys.executable, "-c", code, "review", *arguments, "--no-browser", "--reader", "AB"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        said = running.stdout.readline()
        try:
            yield next(word for word in said.split() if word.startswith("http")), running.pid
        finally:
            running.terminate()


def painted(folder: Path) -> Path:
    """A series of 30 slices of 512 x 512 pixels with landmarks on five of them."""
    study = Painted(rows=512, columns=512, slices=SLICES).write(folder / "study")
    slices = [{"slice": index, **POINTS} for index in (15, 13, 14, 16, 17)]
    (study / "landmarks.json").write_text(json.dumps({"slices": slices}))
    return study


def traced(browser: Browser, page: Page, script: str, arguments: list[Any]) -> dict[str, float]:
    """Milliseconds between drawn frames, and of the main thread's work for each of them."""
    page.evaluate(EVERY_FRAME)
    browser.start_tracing(page=page, categories=TRACED)
    page.evaluate(script, arguments)
    events = json.loads(browser.stop_tracing())["traceEvents"]
    main = {
        event["tid"] for event in events if event.get("args", {}).get("name") == "CrRendererMain"
    }
    work_us = sum(event.get("dur", 0) for event in events
                  if event["name"] in WORK and event["tid"] in main)  # fmt: skip
    drawn = sorted(event["ts"] for event in events if event["name"] == "DrawFrame")
    gaps_ms = [(later - earlier) / 1000 for earlier, later in pairwise(drawn)]
    median, p95 = np.percentile(gaps_ms, [50, 95])
    return {"median_ms": median, "p95_ms": p95, "work_ms": work_us / 1000 / FRAMES}


def heap_mb(page: Page) -> float:
    """Memory of the page after collection, array buffers included."""
    session: CDPSession = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    used: dict[str, Any] = session.send("Runtime.getHeapUsage")
    parts = ("usedSize", "embedderHeapUsedSize", "backingStorageSize")
    return float(sum(used.get(part, 0) for part in parts) / 2**20)


def opened(browser: Browser, address: str) -> Page:
    page = browser.new_context(viewport=WINDOW).new_page()  # type: ignore[arg-type]
    page.goto(address)
    return page


def bare(browser: Browser, address: str) -> Page:
    page = browser.new_context(viewport=WINDOW).new_page()  # type: ignore[arg-type]
    page.route(
        "**/bare", lambda route: route.fulfill(content_type="text/html", body="<title>bare</title>")
    )
    root = address.split("#")[0]
    page.goto(f"{root}bare")
    page.evaluate(BARE, [f"{root}api/tasks", SLICES, {"X-Reader": "AB"}])
    return page


def reading(browser: Browser, address: str) -> Page:
    page = opened(browser, address)
    page.wait_for_selector("#stage[data-drawn]")
    for _ in range(2):  # until every slice was fetched
        for end in ("1", str(SLICES)):
            page.locator("#slice-slider").fill(end)
            page.wait_for_selector(f'#stage[data-drawn="{int(end) - 1}"]')
            page.wait_for_load_state("networkidle")
    page.locator("#slice-slider").fill("16")
    page.wait_for_selector('#stage[aria-busy="false"]')
    return page


def held(page: Page) -> tuple[float, float]:
    """Press on a landmark of the page; where."""
    page.keyboard.press("2")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    box = page.locator("#stage").bounding_box()
    assert box is not None
    x = box["x"] + box["width"] / 2 + (50 * 0.5 - view["centre"][0]) * view["scale"]
    y = box["y"] + box["height"] / 2 + (112 * 0.5 - view["centre"][1]) * view["scale"]
    page.mouse.move(x, y)
    page.mouse.down()
    return x, y


def frames(browser: Browser) -> None:
    with tempfile.TemporaryDirectory() as folder:
        study = painted(Path(folder))
        with program(str(study), "--store", f"{folder}/s.sqlite") as (address, _):
            for round_ in range(ROUNDS):
                for name, make in (("bare", bare), ("page", reading)):
                    page = make(browser, address)
                    print(f"{round_} {name} heap {heap_mb(page):.1f} MB")
                    for kind in ("key", "wheel"):
                        found = traced(browser, page, THROUGH_SLICES, [kind, FRAMES, SLICES - 1])
                        print(f"{round_} {name} slices by {kind} {words(found)}")
                    place = (300.0, 300.0) if name == "bare" else held(page)
                    found = traced(browser, page, DRAG, [*place, FRAMES])
                    print(f"{round_} {name} drag {words(found)}")
                    page.context.close()


def words(found: dict[str, float]) -> str:
    return ", ".join(f"{name} {value:.2f}" for name, value in found.items())


def opening(browser: Browser) -> None:
    """Twelve knees without landmarks at a reader's pace of five seconds a knee."""
    with tempfile.TemporaryDirectory() as folder:
        samples = [path / "series-1" for path in sorted((REPOSITORY / "sample_phantoms").iterdir())
                   if (path / "series-1").is_dir()]  # fmt: skip
        rows = [f"K{number:02d},{samples[number % len(samples)]}" for number in range(12)]
        work_list = Path(folder) / "list.csv"
        work_list.write_text("\n".join(["knee,study", *rows]) + "\n")
        with program(str(work_list), "--store", f"{folder}/s.sqlite") as (address, _):
            page = opened(browser, address)
            page.wait_for_selector("#list .entry")
            for number in range(12):
                start = time.perf_counter()
                page.keyboard.press("Enter") if number == 0 else page.keyboard.press("g")
                page.wait_for_function(
                    "(name) => document.title.startsWith(name) && stage.dataset.view",
                    arg=f"K{number:02d}",
                )
                first = time.perf_counter() - start
                page.wait_for_function(
                    "() => stage.dataset.drawn && stage.ariaBusy === 'false' &&"
                    " !document.getElementById('slice-why').textContent.includes('is looking')"
                )
                ready = time.perf_counter() - start
                print(f"knee {number}: first image {first:.2f} s, ready {ready:.2f} s", flush=True)
                time.sleep(max(0, 5 - ready))
                if number == 11:
                    return
                page.keyboard.press("x")
                page.get_by_role("button", name="Reject and sign").click()
                page.wait_for_function("() => !document.getElementById('next').hidden")


def many(browser: Browser) -> None:
    with tempfile.TemporaryDirectory() as folder:
        study = painted(Path(folder))
        rows = [f"K{number:03d},{study},,{study}/landmarks.json" for number in range(KNEES)]
        work_list = Path(folder) / "list.csv"
        work_list.write_text("\n".join(["knee,study,side,landmarks", *rows]) + "\n")
        with program(str(work_list), "--store", f"{folder}/s.sqlite") as (address, pid):
            page = opened(browser, address)
            page.wait_for_selector("#list .entry")
            page.keyboard.press("Enter")
            for number in range(KNEES):
                expect(page.locator("#title")).to_contain_text(f"K{number:03d}")
                expect(page.locator("#signed")).to_have_text("Not signed yet")
                expect(page.locator("#results .value")).to_have_count(2)
                page.wait_for_selector('#stage[data-drawn][aria-busy="false"]')
                if number in (0, 10, 20, 50, 100, 150, KNEES - 1):
                    used = f"page {heap_mb(page):.1f} MB, program {rss_mb(pid):.0f} MB"
                    print(f"knee {number}: {used}", flush=True)
                page.keyboard.press("Control+Enter")
                expect(page.locator("#signed")).to_contain_text("Signed by AB")
                page.keyboard.press("g")


def rss_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        globals()[sys.argv[1]](launched)

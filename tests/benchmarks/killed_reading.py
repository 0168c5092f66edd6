"""Thirty knees are verified in the browser at a reader's pace while their server is killed.

`python -m tests.benchmarks.killed_reading 200` kills 200 servers. Whenever one is gone, the reader
opens the address of the next one and goes on. Checked: whatever the page confirmed as signed is in
the store as it was on the screen, and every change of a landmark that was on the screen is there
again, saved or not.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from threading import Timer

from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import Page, sync_playwright

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.serve import usual_port
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import CHROMIUM, CHROMIUM_ARGUMENTS, PAINTED_POINTS, Painted
from tests.review.test_kill import KNEES, Servers

LIFE_S = (0.0, 5.0)
"""A server is killed at a random moment within this time after its list was shown."""
LOOK_MS, STEP_MS = (400, 1200), (120, 350)
"""How long a reader looks at what has come into view, and waits between two keys."""
EDGE = "image_left_outer_edge"
KEY_OF_EDGE = "2"
FARTHEST_PX = 5
TROUBLE = "['trouble-words', 'todo'].map((id) => document.getElementById(id).textContent).join(' ')"
IS_WRONG = f"/does not answer|new address|left out|was changed/.test({TROUBLE})"


class ReadingInterruptedError(Exception):
    """The page says that something is wrong."""


@dataclass
class Reader:
    """Reads in a browser, and remembers what the screen showed."""

    page: Page
    draw: random.Random
    column: dict[str, float] = field(default_factory=dict)
    """Where the edge of each knee was last on the screen."""
    confirmed: dict[int, tuple[str, float]] = field(default_factory=dict)
    """Knee and column of each record that the page confirmed."""
    lost: list[str] = field(default_factory=list)
    stuck: list[str] = field(default_factory=list)

    def open(self, address: str) -> None:
        self.page.goto(f"{address}#reader=AB")
        self.until("document.querySelector('#list .entry')")

    def read(self, *, is_endless: bool = True) -> None:
        """Read one knee after the other until something is wrong, or the whole list is signed."""
        while self.go_on() or is_endless:
            self.read_knee()

    def go_on(self) -> bool:
        """Open the next knee that is not signed; once all are (False), any of the first ones."""
        is_open = True
        if not self.page.locator("#list-view").is_visible():
            title = json.dumps(self.page.locator("#title").inner_text())
            self.page.keyboard.press("g")
            self.until(f"document.getElementById('title').textContent !== {title}")
        if self.page.locator("#list-view").is_visible():
            done = self.page.locator("#list-progress").inner_text().split(" ")[0]
            is_open = int(done) < KNEES
            if is_open:
                self.page.locator("#list").press("Enter")
            else:
                self.page.locator("#list .entry").nth(self.draw.randrange(8)).click()
        self.until(
            "document.getElementById('knee-view').checkVisibility()"
            " && stage.dataset.drawn && stage.ariaBusy === 'false'"
        )
        return is_open

    def read_knee(self) -> None:
        knee = self.page.locator("#title").inner_text().split(" ")[0]
        self.page.keyboard.press("Home")  # an earlier page may have been left on another slice
        shown = self.edge()
        if abs(shown - self.column.setdefault(knee, shown)) > 0.05:
            self.lost.append(f"{knee}: column {shown} instead of {self.column[knee]}")
            print(self.lost[-1], flush=True)
        self.column[knee] = shown
        self.wait(LOOK_MS)
        for key in ["PageDown", "PageUp"] * self.draw.randint(1, 2):
            self.press(key)
        for _ in range(self.draw.randint(1, 4)):
            off = self.column[knee] - LANDMARKS_COLUMN
            to_right = off < 0 if abs(off) >= FARTHEST_PX else self.draw.random() < 0.5
            self.page.keyboard.press("Shift+ArrowRight" if to_right else "Shift+ArrowLeft")
            self.column[knee] = self.edge(although_wrong=True)
            self.wait(STEP_MS)
        self.sign(knee)
        self.wait(LOOK_MS)

    def sign(self, knee: str) -> None:
        self.page.keyboard.press("Control+Enter")
        self.until("sign.textContent === 'Signed' || saved.textContent.startsWith('Not signed')")
        words = self.page.locator("#signed").inner_text()
        number = re.search(r"record (\d+)\.$", words)
        if number is None:
            raise ReadingInterruptedError(self.page.locator("#saved").inner_text())
        self.confirmed[int(number[1])] = (knee, self.column[knee])

    def edge(self, *, although_wrong: bool = False) -> float:
        """Ask where the edge is: the page says it to a screen reader."""
        said = "document.getElementById('announce-act')"
        self.page.evaluate(f"{said}.textContent = ''")
        self.page.keyboard.press(KEY_OF_EDGE)
        said_it = f"{said}.textContent.includes('placed at column')"
        if although_wrong:
            self.page.wait_for_function(f"() => {said_it}")
        else:
            self.until(said_it)
        words = self.page.locator("#announce-act").inner_text()
        found = re.search(r"column (-?[\d.]+)", words)
        assert found is not None
        return float(found[1])

    def press(self, key: str) -> None:
        self.page.keyboard.press(key)
        self.wait(STEP_MS)

    def wait(self, between: tuple[int, int]) -> None:
        self.page.wait_for_timeout(self.draw.uniform(*between))

    def until(self, what: str) -> None:
        self.page.wait_for_function(f"() => ({what}) || {IS_WRONG}")
        if self.page.evaluate(IS_WRONG):
            words = self.page.evaluate(TROUBLE)
            if "left out" in words:
                self.lost.append(words)
            raise ReadingInterruptedError(words)


NAMES = [f"K{number:02d}" for number in range(KNEES)]
LANDMARKS_COLUMN = float(PAINTED_POINTS["lateral_outer_edge"][0])


def read_under_kills(page: Page, folder: Path, kills: int) -> tuple[Reader, Path]:
    study, store = Painted().write(folder / "study"), folder / "killed.sqlite"
    landmarks = folder / "landmarks.json"
    landmarks.write_text(json.dumps({"slice": 5, **PAINTED_POINTS}))
    servers = Servers(str(study), str(landmarks), str(store), str(KNEES), str(usual_port(store)))
    reader = Reader(page, random.Random(20261127))
    page.on("dialog", lambda dialog: dialog.accept())
    for number in range(kills):
        pid, address = servers.start()
        killer = Timer(reader.draw.uniform(*LIFE_S), os.kill, [pid, signal.SIGKILL])
        try:
            reader.open(address)
            killer.start()
            reader.read()
        except ReadingInterruptedError:
            pass
        except PlaywrightError as error:  # where a page cannot be opened at all, or does nothing
            if "ERR_CONNECTION" not in str(error):
                reader.stuck.append(f"{reader.page.inner_text('body')[:400]} {error}")
        if killer.ident is None:  # the page was not opened
            os.kill(pid, signal.SIGKILL)
        else:
            killer.join()
        assert servers.ended_with() == -signal.SIGKILL
        if number % 10 == 9:
            print(
                f"{number + 1} kills, {len(reader.confirmed)} confirmed", reader.stuck, flush=True
            )
    pid, address = servers.start()
    reader.open(address)
    reader.read(is_endless=False)
    os.kill(pid, signal.SIGKILL)
    assert servers.ended_with() == -signal.SIGKILL
    servers.close()
    return reader, store


def check(reader: Reader, store: Path, folder: Path) -> None:
    landmarks = folder / "landmarks.json"
    knees = [Knee(name, folder / "study", None, landmarks) for name in NAMES]
    desk = Desk(knees, store, Terms(Conventions()))
    signings = {signing.number: signing for signing in desk.journal.all()}
    assert desk.journal.check() == len(signings)
    for number, (knee, column) in reader.confirmed.items():
        state = signings[number].record["state"]
        stored = state["landmarks"][str(state["slice"])][EDGE]["pixel"][0]
        if signings[number].key.knee != knee or abs(stored - column) > 0.05:
            reader.lost.append(f"record {number} of {knee}: column {stored}, shown {column}")
    signed = {signing.key.knee for signing in signings.values()}
    print(f"{len(signed)} of {KNEES} knees signed, {len(reader.confirmed)} records confirmed of")
    print(f"{len(signings)}, lost: {len(reader.lost)}", *reader.lost, sep="\n")
    print(f"stuck: {len(reader.stuck)}", *reader.stuck, sep="\n")


if __name__ == "__main__":
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        tab = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        check(*read_under_kills(tab, Path(name), int(sys.argv[1])), Path(name))
    print(f"{time.perf_counter() - start:.0f} s")

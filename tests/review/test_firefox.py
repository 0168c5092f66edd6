"""The page in Firefox, driven by the W3C's WebDriver BiDi: a knee is read, corrected and signed."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.types import ASGIApp
from websockets.sync.client import ClientConnection, connect

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.question_desk import QuestionDesk
from meniscal_measure.review.question_routes import question_application
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee

ANSWER_S = 60
TAB = "\ue004"
MOST_STOPS = 80
"""Elements that take the focus, dialogs left out; there are fewer."""
LISTENING = re.compile(r"WebDriver BiDi listening on (ws://\S+)")
WAIT = """new Promise((done) => {{ const look = () => ({condition}) ? done(true)
    : requestAnimationFrame(look); look(); }})"""


class Firefox:
    """A tab of Firefox; commands and their answers as WebDriver BiDi defines them (W3C)."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self.ask("session.new", capabilities={})
        tree = self.ask("browsingContext.getTree")
        self._tab = tree["contexts"][0]["context"]

    def ask(self, method: str, **params: Any) -> Any:
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            answer = json.loads(self._socket.recv(timeout=ANSWER_S))
            if answer.get("id") == number:
                assert answer["type"] == "success", answer
                return answer["result"]

    def open(self, address: str) -> None:
        self.ask("browsingContext.navigate", context=self._tab, url=address, wait="complete")

    def evaluate(self, expression: str) -> Any:
        result = self.ask(
            "script.evaluate",
            expression=expression,
            target={"context": self._tab},
            awaitPromise=True,
        )
        assert result["type"] == "success", result
        return result["result"].get("value")

    def wait_for(self, condition: str) -> None:
        self.evaluate(WAIT.format(condition=condition))

    def text(self, selector: str) -> str:
        found: str = self.evaluate(f"document.querySelector('{selector}').textContent")
        return found

    def press(self, *keys: str) -> None:
        """Hold all but the last key, press that, and let go; names as BiDi has them."""
        down = [{"type": "keyDown", "value": key} for key in keys]
        up = [{"type": "keyUp", "value": key} for key in reversed(keys)]
        self.ask(
            "input.performActions",
            context=self._tab,
            actions=[{"type": "key", "id": "keyboard", "actions": down + up}],
        )

    def write(self, text: str) -> None:
        for letter in text:
            self.press(letter)

    def tab_to(self, what: str) -> None:
        """Press Tab until the focus is on the element of that id, or the button of that text."""
        focus = "[document.activeElement.id, document.activeElement.textContent.trim()]"
        for _ in range(MOST_STOPS):
            if self.evaluate(f"{focus}.includes('{what}')"):
                return
            self.press(TAB)
        raise AssertionError(f"{what} cannot be reached with the Tab key")

    def drag_with_a_notch(self, start: tuple[int, int], end: tuple[int, int]) -> None:
        """Drag with the mouse, and turn the wheel by a notch on the way."""

        def act(kind: str, identity: str, actions: list[dict[str, Any]]) -> dict[str, Any]:
            return {"type": kind, "id": identity, "actions": actions}

        middle = tuple((one + other) // 2 for one, other in zip(start, end, strict=True))
        at = [{"type": "pointerMove", "x": x, "y": y} for x, y in (start, middle, end)]
        notch = {
            "type": "scroll", "x": middle[0], "y": middle[1], "deltaX": 0, "deltaY": 120
        }  # fmt: skip
        pause = {"type": "pause"}
        press, let_go = ({"type": kind, "button": 0} for kind in ("pointerDown", "pointerUp"))
        self.ask(
            "input.performActions",
            context=self._tab,
            actions=[
                act("pointer", "mouse", [at[0], press, at[1], pause, at[2], let_go]),
                act("wheel", "wheel", [pause, pause, pause, notch]),
            ],
        )


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    program = shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        pytest.skip("Firefox is not installed (apt-get install firefox-esr)")
    profile = tmp_path_factory.mktemp("profile")
    command = [program, "--headless", "--no-remote", "--profile", str(profile)]
    with subprocess.Popen(
        [*command, "--remote-debugging-port", "0", "--width", "1280", "--height", "900"],
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        try:
            with connect(_address(running) + "/session", max_size=None) as socket:
                yield Firefox(socket)
        finally:
            running.terminate()


def _address(running: subprocess.Popen[str]) -> str:
    assert running.stderr is not None
    for line in running.stderr:
        found = LISTENING.search(line)
        if found:
            return found[1]
    raise AssertionError("Firefox ended before it listened")


@pytest.fixture
def desk(open_desk: Callable[..., Desk]) -> Desk:
    return open_desk("exactly-3mm")


AT_REST = "document.getElementById('stage').ariaBusy === 'false'"
MEASURED = "document.querySelectorAll('#results .value').length === 2"
CONTROL, ENTER, SHIFT, LEFT, PAGE_DOWN = "\ue009", "\ue007", "\ue008", "\ue012", "\ue00f"


def test_a_knee_is_corrected_and_signed_in_firefox(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.press("2")
    firefox.press(SHIFT, LEFT)
    firefox.wait_for(
        f"document.querySelector('#results').textContent.includes('3.50') && {AT_REST}"
    )
    firefox.press(CONTROL, ENTER)

    firefox.wait_for("document.getElementById('signed').textContent.startsWith('Signed by AB')")
    (signing,) = desk.journal.all()
    assert signing.record["extrusion_mm"]["signed"]["medial"] == pytest.approx(3.5, abs=0.01)


def test_a_wheel_notch_during_a_drag_changes_no_slice_in_firefox(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    before = json.loads(desk.begin(place).state)["landmarks"]
    grid = place.knee.grids[0]
    column, row = before["6"]["image_left_outer_edge"]["pixel"]
    view = json.loads(firefox.evaluate("document.getElementById('stage').dataset.view"))
    box = json.loads(
        firefox.evaluate("JSON.stringify(document.getElementById('stage').getBoundingClientRect())")
    )
    x = (column * grid.column_spacing_mm - view["centre"][0]) * view["scale"] + box["width"] / 2
    y = (row * grid.row_spacing_mm - view["centre"][1]) * view["scale"] + box["height"] / 2
    start = (round(box["x"] + x), round(box["y"] + y))
    firefox.drag_with_a_notch(start, (start[0] - 40, start[1]))
    firefox.wait_for(f"{AT_REST} && document.getElementById('undo').disabled === false")

    after = json.loads(desk.begin(place).state)["landmarks"]
    assert [index for index in after if after[index] != before.get(index)] == ["6"]
    assert firefox.text("#slice-label") == "Slice 7 / 13"


def test_nothing_is_signed_in_firefox_while_another_slice_is_in_view(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.press(PAGE_DOWN)
    firefox.press(CONTROL, ENTER)
    firefox.wait_for("document.getElementById('saved').textContent.startsWith('Not signed')")

    assert list(desk.journal.all()) == []


POINTS = {
    "lateral_rim": [60, 120],
    "lateral_outer_edge": [56, 112],
    "medial_rim": [196, 120],
    "medial_outer_edge": [202, 112],
}
DOWN, END = "\ue015", "\ue010"


@pytest.fixture
def two_visits(painted: Callable[..., Path], tmp_path: Path) -> Callable[[Terms], Desk]:
    """A list with two visits of one knee."""

    def build(terms: Terms) -> Desk:
        landmarks = tmp_path / "landmarks.json"
        landmarks.write_text(json.dumps({"slice": 5, **POINTS}))
        days = ("20250102", "20260102")
        knees = [Knee(day, painted(day, day=day), None, landmarks) for day in days]
        return Desk(knees, tmp_path / "visits.sqlite", terms)

    return build


def test_hidden_millimetres_are_shown_in_firefox_once_signed(
    firefox: Firefox, two_visits: Callable[[Terms], Desk], served: Callable[[Desk], Any]
) -> None:
    desk = two_visits(Terms(Conventions(), hides_mm=True))
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for("document.querySelectorAll('#list .entry').length === 2")
    firefox.tab_to("list")
    firefox.press(ENTER)
    firefox.wait_for(
        f"document.getElementById('message').textContent.includes('once you have') && {AT_REST}"
    )
    assert firefox.text("#results") == ""
    firefox.press(CONTROL, ENTER)
    firefox.wait_for(f"{MEASURED} && {AT_REST}")


def test_a_question_of_a_case_is_answered_in_firefox_by_key_alone(
    firefox: Firefox, question_desk: QuestionDesk, serve_application: Callable[[ASGIApp], str]
) -> None:
    firefox.open(f"{serve_application(question_application(question_desk))}#reader=AB")
    firefox.wait_for("document.getElementById('slice').dataset.drawn")
    firefox.press(ENTER)
    firefox.press(SHIFT, LEFT)
    firefox.press("n")
    saved = "document.getElementById('saved').textContent === 'All answers saved'"
    at_rest = "document.getElementById('slice').ariaBusy === 'false'"
    firefox.wait_for(f"{saved} && {at_rest}")
    for _ in range(MOST_STOPS):
        if firefox.evaluate("!document.getElementById('choices').hidden"):
            break
        firefox.press("n")
    firefox.press("2")
    firefox.wait_for(f"{saved} && {at_rest}")

    answered = {each["key"]: each["answer"] for each in question_desk.listed() if each["answer"]}
    (landmark, sign) = answered
    assert landmark.startswith("landmark.")
    assert answered[sign] == "absent"

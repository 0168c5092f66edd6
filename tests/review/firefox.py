"""A tab of Firefox, driven by the W3C's WebDriver BiDi."""

from __future__ import annotations

import itertools
import json
import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

ANSWER_S = 90
PREFERENCES = {
    "browser.newtabpage.enabled": False,
    "browser.startup.page": 0,
    "dom.ipc.processCount": 1,
    "dom.ipc.processPrelaunch.enabled": False,
    "extensions.enabledScopes": 0,
    "fission.autostart": False,
    "media.rdd-process.enabled": False,
    "media.utility-process.enabled": False,
    "network.process.enabled": False,
}
"""One process for the one tab, and no page of its own: it takes a sixth less of the processor."""
TAB = "\ue004"
MOST_STOPS = 80
"""Elements that take the focus, dialogs left out; there are fewer."""
LISTENING = re.compile(r"WebDriver BiDi listening on (ws://\S+)")
WAIT = """new Promise((done) => {{ const look = () => ({condition}) ? done(true)
    : requestAnimationFrame(look); look(); }})"""

BOX_AT_REST = """async (selector) => {
    const element = document.querySelector(selector);
    for (let box = '', before = null; ; before = box) {
        element.scrollIntoView({ block: 'nearest' });
        box = JSON.stringify(element.getBoundingClientRect());
        if (box === before) return box;
        await new Promise(requestAnimationFrame);
        await new Promise((drawn) => setTimeout(drawn));
    } }"""
"""Where an element lies once it lay there in two frames."""


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

    def click(self, selector: str) -> None:
        """Click the middle of an element at rest: without a window no key acts on a button."""
        box = json.loads(self.evaluate(f"({BOX_AT_REST})('{selector}')"))
        x, y = (round(box[at] + box[size] / 2) for at, size in (("x", "width"), ("y", "height")))
        press, let_go = ({"type": kind, "button": 0} for kind in ("pointerDown", "pointerUp"))
        move = {"type": "pointerMove", "x": x, "y": y}
        mouse = {"type": "pointer", "id": "mouse", "actions": [move, press, let_go]}
        self.ask("input.performActions", context=self._tab, actions=[mouse])

    def fill(self, selector: str, value: str) -> None:
        """Give a field a value, and say so as typing or choosing does."""
        self.evaluate(
            f"""(() => {{ const field = document.querySelector('{selector}');
            field.value = '{value}';
            for (const kind of ['input', 'change']) field.dispatchEvent(new Event(kind)); }})()"""
        )


@contextmanager
def running_firefox(program: str, profile: Path) -> Iterator[Firefox]:
    """Start Firefox without a window, and end it."""
    lines = [
        f"user_pref({json.dumps(key)}, {json.dumps(PREFERENCES[key])});" for key in PREFERENCES
    ]
    (profile / "user.js").write_text("\n".join(lines), "utf-8")
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

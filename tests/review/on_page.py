"""What a test asks the review page in a browser."""

from __future__ import annotations

import json
import re
from collections.abc import Callable

from playwright.sync_api import FloatRect, Page, Route, expect

FRAMES_WAITED = 3000
PROBES = 1000


def at_rest(page: Page) -> None:
    """Wait until everything is saved and measured."""
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")


def box_of(page: Page, place: str) -> FloatRect:
    """Where an element lies in the window, asked again if it was drawn anew meanwhile."""
    for _ in range(FRAMES_WAITED):
        if box := page.locator(place).bounding_box():
            return box
        page.evaluate("() => new Promise(requestAnimationFrame)")
    raise AssertionError(f"{place} is not in sight")


def middle_of(page: Page, place: str) -> tuple[float, float]:
    """Where to click an element."""
    box = box_of(page, place)
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def on_screen(
    page: Page, pixel: list[float], spacing_mm: tuple[float, float]
) -> tuple[float, float]:
    """Where a pixel of the slice lies in the window; spacing of columns and of rows."""
    box = box_of(page, "#stage")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    x, y = (
        (pixel[axis] * spacing_mm[axis] - view["centre"][axis]) * view["scale"] for axis in (0, 1)
    )
    return box["x"] + box["width"] / 2 + x, box["y"] + box["height"] / 2 + y


def intercept(page: Page, path: str | re.Pattern[str], handler: Callable[[Route], object]) -> None:
    """Handle requests of a page that is open already, from the next one on.

    Chromium lets a few requests pass by after it has said that it intercepts them: it is asked
    until one of them is caught. Whoever lets requests through again continues them in the handler:
    `unroute` would answer one that the handler is about to answer.
    """
    page.route(path, handler)
    page.route("**/probe", lambda route: route.fulfill(status=204))
    probe = "async () => (await fetch(`${location.pathname}probe`)).status"
    for _ in range(PROBES):
        if page.evaluate(probe) == 204:
            page.unroute("**/probe")
            return
    raise AssertionError("requests are not intercepted")


class Held:
    """Requests of one kind that are held back until they are let through."""

    def __init__(self, page: Page, path: str | re.Pattern[str]) -> None:
        self._routes: list[Route] = []
        self._is_open = False
        self._page, self._path = page, path
        if page.url == "about:blank":
            page.route(path, self._take)
        else:
            intercept(page, path, self._take)

    def _take(self, route: Route) -> None:
        if self._is_open:
            route.continue_()
        else:
            self._routes.append(route)

    def wait(self) -> None:
        """Wait until one of them was made."""
        for _ in range(FRAMES_WAITED):
            if self._routes:
                return
            self._page.evaluate("() => new Promise(requestAnimationFrame)")
        raise AssertionError(f"{self._path} was not asked for")

    def let_through(self) -> None:
        self._is_open = True
        for route in self._routes:
            route.continue_()

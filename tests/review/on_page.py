"""What a test asks the review page in a browser."""

from __future__ import annotations

import json

from playwright.sync_api import Page, expect


def at_rest(page: Page) -> None:
    """Wait until everything is saved and measured."""
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")


def on_screen(
    page: Page, pixel: list[float], spacing_mm: tuple[float, float]
) -> tuple[float, float]:
    """Where a pixel of the slice lies in the window; spacing of columns and of rows."""
    box = page.locator("#stage").bounding_box()
    assert box is not None
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    x, y = (
        (pixel[axis] * spacing_mm[axis] - view["centre"][axis]) * view["scale"] for axis in (0, 1)
    )
    return box["x"] + box["width"] / 2 + x, box["y"] + box["height"] / 2 + y

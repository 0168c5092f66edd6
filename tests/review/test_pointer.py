"""Presses on the slice where two points lie close together."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from meniscal_measure.review.desk import Desk
from tests.review.on_page import box_of

SPACING_MM = 0.5


@pytest.fixture
def bare(
    open_desk: Callable[..., Desk],
    painted: Callable[..., Path],
    served: Callable[[Desk], Any],
    shown: Callable[..., Page],
) -> Page:
    """A whole slice without points, on which the first one is asked for."""
    return shown(served(open_desk(painted())))


def at(page: Page, column: float, row: float) -> tuple[float, float]:
    box = box_of(page, "#stage")
    view = json.loads(page.locator("#stage").get_attribute("data-view") or "")
    return (
        box["x"] + box["width"] / 2 + (column * SPACING_MM - view["centre"][0]) * view["scale"],
        box["y"] + box["height"] / 2 + (row * SPACING_MM - view["centre"][1]) * view["scale"],
    )


def points(page: Page) -> dict[str, str]:
    names = {"rim": "1 rim", "outer edge": "2 outer edge"}
    return {
        name: page.get_by_role("button", name=label).locator(".state").inner_text()
        for name, label in names.items()
    }


def test_a_click_places_the_point_asked_for_even_beside_another(bare: Page) -> None:
    bare.mouse.click(*at(bare, 60, 120))
    expect(bare.locator("#todo")).to_have_text("Click the outer edge, image left")

    bare.mouse.click(*at(bare, 58, 117))

    expect(bare.locator("#todo")).to_have_text("Click the free edge, image left")
    assert points(bare) == {"rim": "placed", "outer edge": "placed"}


def test_a_drag_moves_the_point_there_and_the_one_asked_for_stays_unplaced(bare: Page) -> None:
    bare.mouse.click(*at(bare, 60, 120))
    bare.mouse.move(*at(bare, 60, 120))
    bare.mouse.down()
    bare.mouse.move(*at(bare, 70, 130), steps=6)
    bare.mouse.up()

    expect(bare.get_by_role("button", name="1 rim")).to_have_attribute("aria-pressed", "true")
    assert points(bare) == {"rim": "placed", "outer edge": "not placed"}

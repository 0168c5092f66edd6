"""Readers at work at the same time, on one server or on two that share a store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.review.conftest import OpenDesk, Serve

SIGNINGS = 8


def sign_many(client: Any) -> list[str]:
    """Change and sign over and over; returns the remarks that were confirmed as signed."""
    base = f"tasks/{client.first_task()}"
    working = client.json(f"{base}/desk")
    remarks = []
    for number in range(SIGNINGS):
        state = {**working["state"], "remark": f"{client.reader} {number}"}
        body = {"revision": working["revision"], "state": state}
        working = client.json(f"{base}/change", body)
        working = client.sign(base, working)
        assert working["refused"] == ""
        remarks.append(state["remark"])
    return remarks


@pytest.mark.parametrize("servers", [1, 2])
def test_signings_of_readers_at_work_together_are_all_there_and_in_one_chain(
    open_desk: OpenDesk, served: Serve, servers: int
) -> None:
    desks = [open_desk("exactly-3mm") for _ in range(servers)]  # they share the store
    addresses = [served(desk) for desk in desks]
    clients = [
        replace(addresses[number % servers], reader=reader)
        for number, reader in enumerate(("Reader A", "Reader B", "Reader C"))
    ]

    with ThreadPoolExecutor(len(clients)) as pool:
        confirmed = [remark for remarks in pool.map(sign_many, clients) for remark in remarks]

    journal = desks[0].journal
    assert journal.check() == len(clients) * SIGNINGS
    assert Counter(signing.record["remark"] for signing in journal.all()) == Counter(confirmed)
    for signing in journal.all():
        assert signing.record["remark"].startswith(signing.key.reader)


def test_two_browsers_hold_two_readings_of_the_same_knee(
    open_desk: OpenDesk,
    served: Serve,
    shown: Callable[..., Page],
    open_window: Callable[..., BrowserContext],
) -> None:
    desk = open_desk("exactly-3mm")
    client = served(desk)
    first = shown(client, tab=open_window().new_page(), reader="AB")
    second = shown(client, tab=open_window().new_page(), reader="CD")
    first.keyboard.press("2")
    first.keyboard.press("Control+ArrowLeft")
    second.keyboard.press("2")
    second.keyboard.press("Shift+ArrowLeft")
    for tab, reader in ((first, "AB"), (second, "CD")):
        tab.keyboard.press("Control+Enter")
        expect(tab.locator("#signed")).to_contain_text(f"Signed by {reader}")

    signed = {
        signing.key.reader: signing.record["extrusion_mm"]["signed"]["medial"]
        for signing in desk.journal.all()
    }
    assert signed == {
        "AB": pytest.approx(8.0, abs=0.05),
        "CD": pytest.approx(3.5, abs=0.02),
    }

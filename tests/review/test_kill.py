"""A server is killed while a reader signs: whatever was confirmed as signed is there, whole."""

from __future__ import annotations

import http.client
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from threading import Timer
from typing import Any, NamedTuple

import jsonschema
import pytest

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.records.schema import schema
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee
from tests.review.conftest import PAINTED_POINTS

FEW, MANY = 3, 200
"""Kills in one run of the test, and in the campaign before a release."""

KNEES = 30
"""Knees on the list that is read."""

LONGEST_LIFE_S = 0.4
"""A server is killed at a random moment up to this long after the signing it is to live to see."""

SERVERS = """
import os, sys
from pathlib import Path
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.routes import application
from meniscal_measure.review.serve import PageServer
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee

study, landmarks, store = map(Path, sys.argv[1:4])
knees = [Knee(f"K{number:02d}", study, None, landmarks) for number in range(int(sys.argv[4]))]
for line in sys.stdin:  # asks for another server, one after the other
    child = os.fork()
    if child == 0:
        desk = Desk(knees, store, Terms(Conventions()))
        server = PageServer(application(desk), port=int(sys.argv[5]))
        print(os.getpid(), server.address, flush=True)
        server.run()
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
"""A program that has loaded everything and forks one server after the other: a start costs a tenth
of a second instead of two."""


class Confirmed(NamedTuple):
    """A signature that a server confirmed before it was killed."""

    number: int
    knee: str
    remark: str


class Servers:
    """Starts servers on one store, each of which is killed."""

    def __init__(self, *arguments: str) -> None:
        self._program = subprocess.Popen(
            [sys.executable, "-c", SERVERS, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self) -> tuple[int, str]:
        assert self._program.stdin is not None
        print(file=self._program.stdin, flush=True)
        pid, address = self._line().split()
        return int(pid), address

    def ended_with(self) -> int:
        return int(self._line())

    def close(self) -> None:
        self._program.communicate()

    def _line(self) -> str:
        assert self._program.stdout is not None
        return self._program.stdout.readline().strip()


def read_until_killed(client: Any, pid: int, draw: random.Random, least: int) -> list[Confirmed]:
    """Read the next knees of the list, then again those that are signed; what was confirmed.

    However slow the machine is, at least so many are signed before the server is killed.
    """
    tasks = client.json("tasks")["tasks"]
    waiting = [task for task in tasks if task["status"] != "measured"]
    confirmed: list[Confirmed] = []
    killer = Timer(draw.uniform(0, LONGEST_LIFE_S), os.kill, [pid, signal.SIGKILL])
    try:
        while True:
            if len(confirmed) == least:
                killer.start()
            task = waiting.pop(0) if waiting else draw.choice(tasks)
            base = f"tasks/{task['id']}"
            working = client.json(f"{base}/desk")
            state = moved(working["state"], draw)
            body = {"revision": working["revision"], "state": state}
            working = client.sign(base, client.json(f"{base}/change", body))
            number, remark = working["signed"]["number"], state["remark"]
            confirmed.append(Confirmed(number, task["label"], remark))
    except (OSError, http.client.HTTPException):
        return confirmed
    finally:
        killer.join()


def moved(state: dict[str, Any], draw: random.Random) -> dict[str, Any]:
    """Move an outer edge by up to a pixel, as a reader who corrects, and say so in a remark."""
    landmarks = state["landmarks"][str(state["slice"])]
    edge = landmarks["image_left_outer_edge"]
    column, row = edge["pixel"]
    set_by_hand = {**edge, "origin": "reader", "pixel": [column + draw.uniform(-1, 1), row]}
    on_slice = {**landmarks, "image_left_outer_edge": set_by_hand}
    return {
        **state,
        "landmarks": {**state["landmarks"], str(state["slice"]): on_slice},
        "remark": f"moved, {draw.random()}",
    }


@pytest.mark.parametrize("kills", [FEW, pytest.param(MANY, marks=pytest.mark.campaign)])
def test_nothing_signed_is_lost_or_half_written(
    painted: Callable[..., Path], tmp_path: Path, client_of: Callable[[str], Any], kills: int
) -> None:
    study, store = painted(), tmp_path / "killed.sqlite"
    landmarks = tmp_path / "landmarks.json"
    landmarks.write_text(json.dumps({"slice": 5, **PAINTED_POINTS}))
    draw = random.Random(20260)
    confirmed: list[Confirmed] = []

    servers = Servers(str(study), str(landmarks), str(store), str(KNEES), "0")
    for number in range(kills):
        pid, address = servers.start()
        confirmed += read_until_killed(client_of(address), pid, draw, number % 2)
        assert servers.ended_with() == -signal.SIGKILL
    servers.close()

    knees = [Knee(f"K{number:02d}", study, None, landmarks) for number in range(KNEES)]
    desk = Desk(knees, store, Terms(Conventions()))
    signings = {signing.number: signing for signing in desk.journal.all()}
    assert confirmed
    assert desk.journal.check() == len(signings)
    assert len(signings) <= len(confirmed) + kills  # one may be signed and its answer lost
    for number, knee, remark in confirmed:
        assert (signings[number].key.knee, signings[number].record["remark"]) == (knee, remark)
    if kills == MANY:
        assert {knee for _, knee, _ in confirmed} == {knee.name for knee in knees}
    of_schema = jsonschema.Draft202012Validator(schema())
    for signing in signings.values():
        of_schema.validate(signing.record["reading"])
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    print(f"{kills} kills, {len(confirmed)} confirmed, {len(signings)} signed")

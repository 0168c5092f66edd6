"""A server is killed while a reader signs: whatever was confirmed as signed is there, whole."""

from __future__ import annotations

import http.client
import json
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from threading import Timer
from typing import Any

import jsonschema
import pytest

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.records.schema import schema
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee

FEW, MANY = 3, 200
"""Kills in one run of the test, and in the campaign before a release."""

LONGEST_LIFE_S = 0.4
"""A server is killed at a random moment up to this long after the first signing was asked for."""

LANDMARKS = {
    "slice": 5,
    "lateral_rim": [60, 120],
    "lateral_outer_edge": [56, 112],
    "medial_rim": [196, 120],
    "medial_outer_edge": [202, 112],
}

SERVER = """
import sys
from pathlib import Path
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.serve import PageServer
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee

study, landmarks, store = map(Path, sys.argv[1:])
desk = Desk([Knee("knee", study, None, landmarks)], store, Terms(Conventions()))
server = PageServer(desk)
print(server.address, flush=True)
server.run()
"""


def sign_until_killed(
    client: Any, server: subprocess.Popen[str], draw: random.Random
) -> list[tuple[int, str]]:
    """Change and sign over and over; returns what the server confirmed: number and remark."""
    base = f"tasks/{client.first_task()}"
    working = client.json(f"{base}/desk")
    confirmed: list[tuple[int, str]] = []
    killer = Timer(draw.uniform(0, LONGEST_LIFE_S), server.send_signal, [signal.SIGKILL])
    killer.start()
    try:
        while True:
            remark = f"{draw.random()}"
            state = {**working["state"], "remark": remark}
            body = {"revision": working["revision"], "state": state}
            working = client.json(f"{base}/change", body)
            working = client.sign(base, working)
            confirmed.append((working["signed"]["number"], remark))
    except (OSError, http.client.HTTPException):
        return confirmed
    finally:
        killer.join()


@pytest.mark.parametrize("kills", [FEW, pytest.param(MANY, marks=pytest.mark.campaign)])
def test_nothing_signed_is_lost_or_half_written(
    painted: Callable[..., Path], tmp_path: Path, client_of: Callable[[str], Any], kills: int
) -> None:
    study, store = painted(), tmp_path / "killed.sqlite"
    landmarks = tmp_path / "landmarks.json"
    landmarks.write_text(json.dumps(LANDMARKS))
    arguments = [sys.executable, "-c", SERVER, str(study), str(landmarks), str(store)]
    draw = random.Random(20260)
    confirmed: list[tuple[int, str]] = []

    for _ in range(kills):
        with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            client = client_of(server.stdout.readline().strip())
            confirmed += sign_until_killed(client, server, draw)
        assert server.returncode == -signal.SIGKILL

    desk = Desk([Knee("knee", study, None, landmarks)], store, Terms(Conventions()))
    signings = {signing.number: signing for signing in desk.journal.all()}
    assert confirmed, "the servers lived long enough to confirm something"
    assert desk.journal.check() == len(signings)
    assert len(signings) <= len(confirmed) + kills  # one may be signed and its answer lost
    for number, remark in confirmed:
        assert signings[number].record["remark"] == remark
    for signing in signings.values():
        jsonschema.validate(signing.record["reading"], schema())
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    print(f"{kills} kills, {len(confirmed)} confirmed, {len(signings)} signed")

"""Images that vanish or break while they are read: the page says so, and goes on with the rest."""

from __future__ import annotations

import json
import shutil
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.review.desk import Desk
from meniscal_measure.review.page_files import HEADER


@pytest.fixture
def study(painted: Callable[..., Path]) -> Path:
    return painted(slices=10)


@pytest.fixture
def client(open_desk: Callable[..., Desk], served: Callable[[Desk], Any], study: Path) -> Any:
    client = served(open_desk(study))
    client.json(f"tasks/{client.first_task()}/desk")
    return client


def test_a_file_that_vanished_is_named(client: Any, study: Path) -> None:
    (study / "1-coronal-05.dcm").unlink()
    base = f"tasks/{client.first_task()}"

    status, content = client.ask(f"{base}/slices/5")

    assert status == 422
    assert "1-coronal-05.dcm" in json.loads(content)["message"]
    rows, columns = HEADER.unpack_from(client.ask(f"{base}/slices/4")[1])[2:]
    assert (rows, columns) == (256, 256)


def test_a_slice_that_broke_is_named(client: Any, study: Path) -> None:
    file = study / "1-coronal-05.dcm"
    file.write_bytes(file.read_bytes()[:2000])

    status, content = client.ask(f"tasks/{client.first_task()}/slices/5")

    assert status == 422
    assert "1-coronal-05.dcm" in json.loads(content)["message"]


def test_a_broken_middle_slice_does_not_keep_the_knee_closed(client: Any, study: Path) -> None:
    whole = client.json(f"tasks/{client.first_task()}")
    file = study / "1-coronal-05.dcm"
    file.write_bytes(file.read_bytes()[:2000])

    opened = client.json(f"tasks/{client.first_task()}")

    assert opened["middle"] == 5
    assert opened["window"] == pytest.approx(whole["window"], rel=0.05)


def test_a_study_that_vanished_is_said_and_can_be_rejected(
    open_desk: Callable[..., Desk], served: Callable[[Desk], Any], study: Path
) -> None:
    desk = open_desk(study)
    shutil.rmtree(study)
    client = served(desk)
    task = client.first_task()

    status, content = client.ask(f"tasks/{task}")
    assert status == 400
    assert "painted" in json.loads(content)["message"]

    client.json(f"tasks/{task}/reject", {"revision": None, "reason": "Images cannot be read"})
    assert client.json("tasks")["tasks"][0]["status"] == "rejected"


def test_a_store_that_cannot_be_written_is_said_and_nothing_is_taken_for_kept(
    client: Any, tmp_path: Path
) -> None:
    base = f"tasks/{client.first_task()}"
    knee = client.json(f"{base}/desk")
    store = tmp_path / "store.sqlite"
    whole = store.read_bytes()
    store.write_bytes(struct.pack("<100Q", *range(100)))

    status, content = client.ask(f"{base}/change", {"revision": 0, "state": knee["state"]})

    assert status == 507
    assert json.loads(content)["message"].startswith(f"The store {store} cannot be used")
    store.write_bytes(whole)
    assert client.json(f"{base}/desk")["revision"] == 0


def test_a_fault_is_printed_without_what_it_was_about(
    client: Any, study: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object) -> None:
        raise ZeroDivisionError("/data/Mustermann^Max/1.dcm")

    monkeypatch.setattr("meniscal_measure.review.page_files.encode_slice", broken)
    status, answer = client.ask(f"tasks/{client.first_task()}/slices/0")

    assert status == 500
    assert b"Mustermann" not in answer
    printed = capsys.readouterr().err
    assert "Mustermann" not in printed
    assert "ZeroDivisionError at" in printed
    assert "routes.py" in printed

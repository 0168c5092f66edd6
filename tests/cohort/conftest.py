"""A cohort whose knees are small files that say how their measuring goes."""

from __future__ import annotations

import importlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure
from tests.cohort.stored import rows_of

MakeKnee = Callable[..., Entry]


def rows(store: Path) -> list[dict[str, Any]]:
    """Read every row of a store, in the order of the manifest."""
    with Store.existing(store) as opened:
        return rows_of(opened)


@pytest.fixture(scope="session")
def stand_in() -> Iterator[Any]:
    """The module that stands in for the measuring; worker processes find it too."""
    with pytest.MonkeyPatch.context() as patched:
        patched.syspath_prepend(str(Path(__file__).parent / "stand_ins"))
        yield importlib.import_module("knee_stand_in")


@pytest.fixture(scope="session")
def measure(stand_in: Any) -> Measure:
    """Measures a knee as its file says."""
    measure: Measure = stand_in.measure
    return measure


def knees_in(folder: Path) -> MakeKnee:
    """Write knees whose measurement goes as ordered into a new folder, and give their entries."""
    folder.mkdir()

    def make(subject: str, *, visit: str = "1", reader: str = "", **orders: Any) -> Entry:
        path = folder / f"{subject}-{visit}.json"
        path.write_text(json.dumps({"extrusion_mm": 2.5, **orders}), "utf-8")
        return Entry(subject=subject, visit=visit, reader=reader, path=str(path), group="all")

    return make


@pytest.fixture
def make_knee(tmp_path: Path) -> MakeKnee:
    """Write a knee whose measurement goes as ordered, and give its entry."""
    return knees_in(tmp_path / "images")

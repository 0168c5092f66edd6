"""Without the optional packages everything else works, and the one missing is named."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.cohort.cluster import on_cluster
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.cohort.source_files import fetched
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import export_parquet, export_table
from meniscal_measure.cohort.task import Settings, Status, Task, carry_out
from meniscal_measure.errors import UsageError

PARQUET, CLUSTER = (
    rf"pip install 'meniscal-measure\[{extra}\]'" for extra in ("parquet", "cluster")
)


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Make a package look as if it were not installed."""
    return lambda name: monkeypatch.setitem(sys.modules, name, None)


@pytest.mark.parametrize("advice", [PARQUET, CLUSTER])
def test_every_extra_that_is_advised_exists(advice: str) -> None:
    (name,) = re.findall(r"\[(\w+)", advice)
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8"))
    assert name in project["project"]["optional-dependencies"]


def test_parquet_needs_pyarrow(without: Callable[[str], None], tmp_path: Path) -> None:
    without("pyarrow")
    with pytest.raises(UsageError, match=f"Reading Parquet needs pyarrow.*{PARQUET}"):
        list(Manifest(tmp_path / "manifest.parquet"))
    with (
        Store(tmp_path / "c.sqlite") as store,
        pytest.raises(UsageError, match=f"Writing Parquet needs pyarrow.*{PARQUET}"),
    ):
        export_parquet(store, export_table(store), tmp_path / "readings.parquet")


def test_a_cluster_needs_distributed(without: Callable[[str], None]) -> None:
    without("distributed")
    with pytest.raises(UsageError, match=f"dask.distributed, which is not installed: {CLUSTER}"):
        next(on_cluster("tcp://127.0.0.1:1")(iter(())))


def test_urls_need_fsspec_and_a_knee_without_it_is_refused(
    without: Callable[[str], None], make_knee: Callable[..., Entry], stand_in: Any
) -> None:
    without("fsspec")
    knee = make_knee("S1")
    entry = replace(knee, path=f"file://{knee.path}")
    with (
        pytest.raises(UsageError, match=f"fsspec, which is not installed: {CLUSTER}"),
        fetched(entry),
    ):
        pass
    outcome = carry_out(Task(entry, Settings(), b""), stand_in.measure)
    assert outcome.status is Status.REFUSED

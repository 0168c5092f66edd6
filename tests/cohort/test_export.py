"""Exports hold every entry, typed and explained."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pyarrow import parquet  # type: ignore[import-untyped]

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.export import export_csv, export_dictionary, export_parquet
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, carry_out
from meniscal_measure.errors import OutputError

MakeKnee = Callable[..., Entry]


@pytest.fixture
def store(tmp_path: Path, measure: Measure, make_knee: MakeKnee) -> Iterator[Store]:
    """One knee measured, one refused, one excluded, one still waiting."""
    path = tmp_path / "cohort.sqlite"
    done = [
        make_knee("S1", extrusion_mm=0.1 + 0.2),
        make_knee("S2", refuse='no "spacing", none'),
        replace(make_knee("S3"), exclude="metal"),
    ]
    run_cohort(done, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        opened.enrol([*done, make_knee("S4")])
        yield opened


def test_csv_has_a_line_for_every_entry(store: Store, tmp_path: Path) -> None:
    export_csv(store, tmp_path / "out" / "readings.csv")
    with (tmp_path / "out" / "readings.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["status"] for row in rows] == ["measured", "refused", "excluded", "waiting"]
    assert rows[1]["reason"] == 'no "spacing", none'
    assert rows[3]["medial_extrusion_mm"] == ""


def test_numbers_are_exported_in_full(store: Store, tmp_path: Path) -> None:
    export_csv(store, tmp_path / "readings.csv")
    with (tmp_path / "readings.csv").open(newline="") as stream:
        row = next(csv.DictReader(stream))
    assert float(row["medial_extrusion_mm"]) == 0.1 + 0.2


def test_parquet_holds_the_same_in_typed_columns(store: Store, tmp_path: Path) -> None:
    export_parquet(store, tmp_path / "readings.parquet")
    table = parquet.read_table(tmp_path / "readings.parquet")
    assert table.to_pylist() == list(store.rows())
    field = table.schema.field("medial_extrusion_mm")
    assert str(field.type) == "double"
    assert field.metadata[b"unit"] == b"mm"


def test_the_dictionary_explains_every_column(store: Store, tmp_path: Path) -> None:
    export_csv(store, tmp_path / "readings.csv")
    export_dictionary(tmp_path / "dictionary.csv")
    with (tmp_path / "dictionary.csv").open(newline="") as stream:
        explained: list[dict[str, Any]] = list(csv.DictReader(stream))
    header = (tmp_path / "readings.csv").read_text().splitlines()[0].split(",")
    assert [row["column"] for row in explained] == header
    assert all(row["meaning"] for row in explained)
    assert all(row["unit"] == "mm" for row in explained if row["column"].endswith("_mm"))


@pytest.mark.parametrize("export", [export_csv, export_parquet])
def test_an_export_that_cannot_be_written_leaves_nothing(
    store: Store, tmp_path: Path, export: Callable[[Store, Path], None]
) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="Name a folder you may write to"):
        export(store, tmp_path / "file" / "readings")

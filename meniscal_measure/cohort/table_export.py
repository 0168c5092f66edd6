"""The current readings as CSV or Parquet, with a description of their columns beside them.

The description is a Frictionless Data Package (specs.frictionlessdata.io, version 1).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure import __version__
from meniscal_measure.cohort.columns import DOUBT_FIELD, EXPORT_FIELDS, IDENTIFYING, Field
from meniscal_measure.cohort.identity_doubts import identity_doubts
from meniscal_measure.cohort.optional_packages import pyarrow
from meniscal_measure.cohort.store import Store
from meniscal_measure.files import SUSPECT_STARTS, csv_text, safe_cell, write_text, written_whole

BATCH = 10_000
"""Rows of Parquet written at a time, so that memory does not grow with their number."""

LINES = 1_000
"""Lines of CSV laid out at a time: few enough to stay in the cache of a processor."""

PACKAGE = "datapackage.json"
"""Name of the file that describes the tables."""

TYPES = {"TEXT": "string", "INTEGER": "integer", "REAL": "number"}
"""Types of the data package by storage class."""

Row = tuple[Any, ...]


@dataclass(frozen=True)
class ExportTable:
    """A table that can be exported."""

    name: str
    """Of its files."""
    title: str
    keys: tuple[str, ...]
    """Columns that no two rows share."""
    fields: tuple[Field, ...]
    """Its columns in order."""
    rows: Callable[[Store], Iterator[Row]]


def export_table(store: Store, *, identifiers: bool = True) -> ExportTable:
    """Lay out the readings: a row each, covariates last; without identifiers no path and no UID."""
    fields = [field for field in EXPORT_FIELDS if identifiers or field.name not in IDENTIFYING]
    covariates = store.covariates()
    others = [Field(f"covariate_{n}", "TEXT", "", f"{n}, from the manifest") for n in covariates]
    doubts = {
        key: " ".join(one.words() for one in found) for key, found in identity_doubts(store).items()
    }
    return ExportTable(
        "readings",
        "Readings of meniscal extrusion",
        ("subject", "visit", "side", "reader", "repeat"),
        (*fields, DOUBT_FIELD, *others),
        partial(_rows, [field.name for field in fields], covariates, doubts),
    )


def _rows(
    names: list[str], covariates: tuple[str, ...], doubts: Mapping[str, str], store: Store
) -> Iterator[Row]:
    @lru_cache(maxsize=1)  # readings of a subject follow each other and have the same
    def others(text: str) -> tuple[str | None, ...]:
        cells: dict[str, str] = json.loads(text or "{}")
        return tuple(map(cells.get, covariates))

    for *row, key, cells in store.columns(*names, "key", "covariates"):
        yield *row, doubts.get(key), *others(cells)


def export_csv(store: Store, table: ExportTable, path: Path) -> None:
    """Write one line for each entry of the manifest, empty where there is no value.

    Only the owner of the file may read it, as it names subjects and their folders.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    fields = table.fields
    with written_whole(path, owner_only=True) as stream:
        stream.write(csv_text([field.name for field in fields], ()).encode("utf-8"))
        rows = table.rows(store)
        while batch := list(islice(rows, LINES)):
            columns = zip(fields, zip(*batch, strict=True), strict=True)
            cells = [CELLS[field.kind](column) for field, column in columns]
            lines = "\n".join(map(",".join, zip(*cells, strict=True)))
            stream.write(f"{lines}\n".encode())


# A whole column at a time, which takes two thirds of the time of the standard library's writer.


def _text_cells(column: Sequence[str | None]) -> list[str]:
    cells = [text or "" for text in column]
    different = set(cells)
    if not SUSPECT_STARTS.isdisjoint({text[:1] for text in different}):
        cells = [str(safe_cell(text)) for text in cells]
    together = "".join(different)
    if any(mark in together for mark in QUOTED):  # RFC 4180
        cells = [
            '"' + text.replace('"', '""') + '"' if any(mark in text for mark in QUOTED) else text
            for text in cells
        ]
    return cells


def _integer_cells(column: Sequence[int | None]) -> list[str]:
    return ["" if number is None else str(number) for number in column]


def _real_cells(column: Sequence[float | None]) -> list[str]:
    """Write numbers with the fewest digits that give them back."""
    together = msgspec.json.encode(column).decode("ascii")
    if together.count("null") != column.count(None):  # a number that JSON does not know
        return ["" if number is None else repr(number) for number in column]
    return together[1:-1].replace("null", "").split(",")


CELLS: dict[str, Callable[[Sequence[Any]], list[str]]] = {
    "TEXT": _text_cells,
    "INTEGER": _integer_cells,
    "REAL": _real_cells,
}
"""Lays out a column for CSV, by storage class."""

QUOTED = (",", '"', "\n", "\r")
"""What a cell of CSV must not hold without quotation marks."""


def export_parquet(store: Store, table: ExportTable, path: Path) -> None:
    """Write the same as `export_csv` in typed columns, their units and meanings in the schema.

    Raises
    ------
    UsageError
        If pyarrow is not installed.
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    pa, parquet = pyarrow("Writing Parquet", " Or export as CSV.")
    types = {"TEXT": pa.string(), "INTEGER": pa.int64(), "REAL": pa.float64()}
    schema = pa.schema(
        [
            pa.field(one.name, types[one.kind], metadata={"unit": one.unit, "meaning": one.meaning})
            for one in table.fields
        ]
    )
    rows = table.rows(store)
    with (
        written_whole(path, owner_only=True) as stream,
        parquet.ParquetWriter(stream, schema) as writer,
    ):
        while batch := list(islice(rows, BATCH)):
            columns = [
                pa.array(column, part.type)
                for column, part in zip(zip(*batch, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.RecordBatch.from_arrays(columns, schema=schema))


def export_description(tables: Sequence[ExportTable], path: Path) -> None:
    """Write what each column of the exported tables means, as a data package.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    package = {
        "profile": "tabular-data-package",
        "name": "cohort",
        "title": "Meniscal extrusion in a cohort",
        "created_by": f"meniscal_measure {__version__}",
        "resources": [_resource(table) for table in tables],
    }
    write_text(path, json.dumps(package, indent=1, ensure_ascii=False) + "\n")


def _resource(table: ExportTable) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource",
        "name": table.name,
        "title": table.title,
        "path": f"{table.name}.csv",
        "format": "csv",
        "encoding": "utf-8",
        "schema": {
            "fields": [
                {"name": field.name, "type": TYPES[field.kind], "description": field.meaning}
                | ({"unit": field.unit} if field.unit else {})
                for field in table.fields
            ],
            "missingValues": [""],
            "uniqueKey": list(table.keys),
        },
    }

"""The current readings as CSV or Parquet, with a dictionary of their columns."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from meniscal_measure.cohort.fields import EXPORT_FIELDS
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import UsageError
from meniscal_measure.files import csv_text, write_text, written_whole

BATCH = 10_000
"""Rows written at a time, so that memory does not grow with their number."""


def export_csv(store: Store, path: Path) -> None:
    """Write one line for each entry of the manifest, empty where there is no value.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    with written_whole(path) as stream:
        text = io.TextIOWrapper(stream, "utf-8", newline="", write_through=True)
        names = [field.name for field in EXPORT_FIELDS]
        writer = csv.DictWriter(text, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(store.rows())
        text.detach()


def export_parquet(store: Store, path: Path) -> None:
    """Write the same as `export_csv` in typed columns, their units and meanings in the schema.

    Raises
    ------
    UsageError
        If pyarrow is not installed.
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    try:
        import pyarrow  # type: ignore[import-untyped]
        import pyarrow.parquet  # type: ignore[import-untyped]
    except ImportError as error:
        raise UsageError(
            "Writing Parquet needs pyarrow, which is not installed:"
            " pip install 'meniscal-measure[parquet]'. Or export as CSV."
        ) from error
    with written_whole(path) as stream:
        _write_parquet(pyarrow, store.rows(), stream)


def _write_parquet(pyarrow: Any, rows: Iterator[dict[str, Any]], stream: BinaryIO) -> None:
    types = {"TEXT": pyarrow.string(), "INTEGER": pyarrow.int64(), "REAL": pyarrow.float64()}
    schema = pyarrow.schema(
        [
            pyarrow.field(
                field.name,
                types[field.kind],
                metadata={"unit": field.unit, "meaning": field.meaning},
            )
            for field in EXPORT_FIELDS
        ]
    )
    with pyarrow.parquet.ParquetWriter(stream, schema) as writer:
        while batch := list(islice(rows, BATCH)):
            writer.write_batch(pyarrow.RecordBatch.from_pylist(batch, schema=schema))


def export_dictionary(path: Path) -> None:
    """Write what each column of an export means: its name, type, unit and meaning.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    kinds = {"TEXT": "text", "INTEGER": "whole number", "REAL": "number"}
    rows = ((field.name, kinds[field.kind], field.unit, field.meaning) for field in EXPORT_FIELDS)
    write_text(path, csv_text(("column", "type", "unit", "meaning"), rows))

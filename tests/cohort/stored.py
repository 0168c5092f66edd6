"""What a store holds, as tests look at it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import Any

from meniscal_measure.cohort.columns import EXPORT_FIELDS
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Record, unpacked


def rows_of(store: Store) -> list[dict[str, Any]]:
    """The current state of every entry, with the columns of an export."""
    names = [field.name for field in EXPORT_FIELDS]
    return [dict(zip(names, row, strict=True)) for row in store.columns(*names)]


def counts_of(store: Store) -> dict[str, int]:
    """How many entries have each status."""
    return dict(store.counted("status"))


def records_of(store: Store) -> list[Record]:
    """The full records of the current readings."""
    query = (
        """SELECT record FROM current c JOIN document d ON d.reading = c.reading ORDER BY line"""
    )
    with closing(sqlite3.connect(store.path)) as base:
        return [unpacked(packed) for (packed,) in base.execute(query)]

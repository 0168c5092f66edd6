"""The tables of the store and how an entry becomes a row of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.fields import MANIFEST_FIELDS, MEASURED_FIELDS

APPLICATION_ID = 0x4D4D4331
"""Marks a SQLite file as a store of readings (SQLite pragma `application_id`)."""

LAYOUT = 2
"""Version of the tables, kept in the file's `user_version`."""

MEASURED_COLUMNS = ", ".join(f"{field.name} {field.kind}" for field in MEASURED_FIELDS)
MEASURED_NAMES = ", ".join(field.name for field in MEASURED_FIELDS)
MANIFEST_NAMES = ", ".join(f'e."{field.name}"' for field in MANIFEST_FIELDS)

TABLES = f"""
CREATE TABLE entry (
    line INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE,
    subject TEXT, visit TEXT, side TEXT, "group" TEXT, reader TEXT, repeat INTEGER,
    path TEXT, landmarks TEXT, series INTEGER, exclude TEXT
);
CREATE TABLE run (
    id INTEGER PRIMARY KEY, started_at TEXT NOT NULL, settings TEXT NOT NULL,
    settings_digest TEXT NOT NULL
);
CREATE TABLE reading (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run (id), key TEXT NOT NULL,
    settings_digest TEXT NOT NULL, glance TEXT NOT NULL, digest TEXT NOT NULL,
    status TEXT NOT NULL, reason TEXT NOT NULL, seconds REAL NOT NULL, recorded_at TEXT NOT NULL,
    record BLOB, {MEASURED_COLUMNS}
);
CREATE UNIQUE INDEX once ON reading (run, key);
CREATE INDEX latest ON reading (key, settings_digest, id);
CREATE TRIGGER unchanging BEFORE UPDATE ON reading
    BEGIN SELECT RAISE (ABORT, 'readings are only ever added'); END;
CREATE TRIGGER undeletable BEFORE DELETE ON reading
    BEGIN SELECT RAISE (ABORT, 'readings are only ever added'); END;
CREATE VIEW current AS
SELECT e.line, e.key, {MANIFEST_NAMES}, e.path,
    CASE WHEN e.exclude <> '' THEN 'excluded' ELSE coalesce (r.status, 'waiting') END AS status,
    CASE WHEN e.exclude <> '' THEN e.exclude ELSE coalesce (r.reason, '') END AS reason,
    {MEASURED_NAMES}, r.record, r.seconds, r.recorded_at
FROM entry e LEFT JOIN reading r ON e.exclude = '' AND r.id = (
    SELECT max (id) FROM reading l WHERE l.key = e.key AND l.settings_digest = (
        SELECT settings_digest FROM run ORDER BY id DESC LIMIT 1
    )
);
"""

INSERT_READING = (
    "INSERT INTO reading (run, key, settings_digest, glance, digest, status, reason, seconds,"
    f" recorded_at, record, {MEASURED_NAMES})"
    f" VALUES ({', '.join('?' * (10 + len(MEASURED_FIELDS)))})"
)


def statements(script: str) -> Iterator[str]:
    """Part a script into statements, so that it can run inside a transaction."""
    statement = ""
    for piece in script.split(";"):
        statement += piece + ";"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def entry_row(entry: Entry) -> tuple[Any, ...]:
    """Lay an entry out as a row, its line number left out."""
    return (
        entry.key,
        entry.subject,
        entry.visit,
        entry.side.word if entry.side else "",
        entry.group,
        entry.reader,
        entry.repeat,
        entry.path,
        entry.landmarks,
        entry.series,
        entry.exclude,
    )


def entry_of(row: list[Any]) -> Entry:
    """Take an entry from its row."""
    _, _, subject, visit, side, group, reader, repeat, path, landmarks, series, exclude = row
    return Entry(
        subject=subject,
        path=path,
        visit=visit,
        side=SIDE_SPELLINGS[side],
        group=group,
        landmarks=landmarks,
        reader=reader,
        repeat=repeat,
        series=series,
        exclude=exclude,
    )

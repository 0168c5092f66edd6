"""The tables of the store and how an entry becomes a row of them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.columns import MANIFEST_FIELDS, MEASURED_FIELDS
from meniscal_measure.cohort.entry import Entry

APPLICATION_ID = 0x4D4D4331
"""Marks a SQLite file as a store of readings (SQLite pragma `application_id`)."""

LAYOUT = 3
"""Version of the tables, kept in the file's `user_version`."""

MEASURED_COLUMNS = ", ".join(f"{field.name} {field.kind}" for field in MEASURED_FIELDS)
MEASURED_NAMES = ", ".join(field.name for field in MEASURED_FIELDS)
MANIFEST_NAMES = ", ".join(f'e."{field.name}"' for field in MANIFEST_FIELDS)

ENTRY_NAMES = (
    'key, subject, visit, side, "group", reader, repeat, path, landmarks, series, exclude,'
    " covariates"
)

NEVER_CHANGED = "".join(
    f"""
CREATE TRIGGER {table}_unchanging BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE (ABORT, 'readings are only ever added'); END;
CREATE TRIGGER {table}_undeletable BEFORE DELETE ON {table}
    BEGIN SELECT RAISE (ABORT, 'readings are only ever added'); END;"""
    for table in ("reading", "document")
)

TABLES = f"""
CREATE TABLE manifest (number INTEGER PRIMARY KEY, digest TEXT NOT NULL, given_at TEXT NOT NULL);
CREATE TABLE entry (
    line INTEGER PRIMARY KEY AUTOINCREMENT, manifest INTEGER NOT NULL, key TEXT NOT NULL UNIQUE,
    subject TEXT, visit TEXT, side TEXT, "group" TEXT, reader TEXT, repeat INTEGER,
    path TEXT, landmarks TEXT, series INTEGER, exclude TEXT, covariates TEXT,
    fingerprint BLOB, reading INTEGER
);
CREATE TABLE settings (number INTEGER PRIMARY KEY, digest TEXT NOT NULL UNIQUE, told TEXT NOT NULL);
CREATE TABLE run (
    id INTEGER PRIMARY KEY, started_at TEXT NOT NULL,
    settings INTEGER NOT NULL REFERENCES settings (number)
);
CREATE TABLE reading (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run (id), key TEXT NOT NULL,
    settings INTEGER NOT NULL, fingerprint BLOB NOT NULL, digest TEXT NOT NULL,
    status TEXT NOT NULL, reason TEXT NOT NULL, seconds REAL NOT NULL, recorded_at TEXT NOT NULL,
    {MEASURED_COLUMNS}
);
CREATE TABLE document (reading INTEGER PRIMARY KEY REFERENCES reading (id), record BLOB NOT NULL);
CREATE UNIQUE INDEX once ON reading (run, key);
CREATE INDEX latest ON reading (key, settings, id);
{NEVER_CHANGED}
CREATE VIEW current AS
SELECT e.line, e.key, {MANIFEST_NAMES}, e.path, e.landmarks, e.covariates, e.reading,
    CASE WHEN e.exclude <> '' THEN 'excluded' ELSE coalesce (r.status, 'waiting') END AS status,
    CASE WHEN e.exclude <> '' THEN e.exclude ELSE coalesce (r.reason, '') END AS reason,
    {MEASURED_NAMES}, r.run, r.seconds, r.recorded_at
FROM entry e LEFT JOIN reading r ON r.id = e.reading;
"""

CASES = """
CREATE TABLE IF NOT EXISTS knee_case (
    number INTEGER PRIMARY KEY, key TEXT NOT NULL, made_at TEXT NOT NULL, record BLOB NOT NULL,
    UNIQUE (key, made_at)
)"""
"""Made with the first case, so that a store of an earlier version takes them too."""

PATIENTS = (
    "CREATE TABLE IF NOT EXISTS patient_key (key BLOB NOT NULL)",
    """CREATE TABLE IF NOT EXISTS patient (
        key TEXT NOT NULL, digest TEXT NOT NULL,
        patient_id TEXT NOT NULL, patient_name TEXT NOT NULL, birth_date TEXT NOT NULL,
        PRIMARY KEY (key, digest)
    )""",
    "INSERT INTO patient_key SELECT randomblob(32) WHERE NOT EXISTS (SELECT 1 FROM patient_key)",
)
"""Marks of patients by entry and hash of its files; made by the first run that measures with them,
so that a store of an earlier version takes them too."""

INSERT_ENTRY = (
    f"INSERT INTO entry (manifest, fingerprint, {ENTRY_NAMES}) VALUES ({', '.join('?' * 14)})"
)

INSERT_READING = (
    "INSERT INTO reading (run, key, settings, fingerprint, digest, status, reason, seconds,"
    f" recorded_at, {MEASURED_NAMES}) VALUES ({', '.join('?' * (9 + len(MEASURED_FIELDS)))})"
)

DONE_BEFORE = (
    f"SELECT status, reason, record, {MEASURED_NAMES} FROM reading r"
    " LEFT JOIN document d ON d.reading = r.id"
    " WHERE key = ? AND settings = ? ORDER BY id DESC LIMIT 1"
)
"""What the same bytes gave before."""

CURRENT = """
UPDATE entry SET reading = (
    SELECT max (id) FROM reading r
    WHERE r.key = entry.key AND r.settings = ? AND r.fingerprint = entry.fingerprint
) WHERE reading IS NULL AND exclude = ''"""
"""Points each entry to its last outcome under the settings, if its files are still those."""

DUE = """
FROM entry e LEFT JOIN reading r ON r.id = e.reading
WHERE e.exclude = '' AND (r.id IS NULL OR r.status = 'crashed' OR (r.status = 'refused' AND ?))"""
"""Entries to be measured: all but those whose last outcome is settled."""


def entry_row(e: Entry) -> tuple[Any, ...]:
    """Lay an entry out as the columns of `ENTRY_NAMES`."""
    others = json.dumps(dict(e.covariates)) if e.covariates else ""
    return (e.key, e.subject, e.visit, e.side_word, e.group, e.reader, e.repeat, e.path,
            e.landmarks, e.series, e.exclude, others)  # fmt: skip


def entry_of(row: tuple[Any, ...]) -> Entry:
    """Take an entry from the columns of `ENTRY_NAMES`.

    Examples
    --------
    >>> entry = Entry(subject="S1", path="images", visit="2")
    >>> entry_of(entry_row(entry)) == entry
    True
    """
    _, subject, visit, side, group, reader, repeat, path, landmarks, series, exclude, others = row
    covariates = tuple(json.loads(others).items()) if others else ()
    return Entry(subject, path, visit, SIDE_SPELLINGS[side], group, landmarks, reader, repeat,
                 series, exclude, covariates)  # fmt: skip


def utc_now() -> str:
    """Give the time as the tables keep it, UTC in ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")

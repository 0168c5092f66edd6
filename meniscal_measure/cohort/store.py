"""The readings of a cohort in one SQLite file: only ever added to, with a view of what is current.

Tables: `entry` is the manifest as last given; `run` names each run with its settings; `reading`
holds every outcome ever had, failures included, and refuses to be changed. The view `current` shows
for each entry its last outcome under the settings of the last run, or that it is excluded or still
waiting. Readings made under other settings stay, and are never mixed with these.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.fields import EXPORT_FIELDS, MEASURED_FIELDS
from meniscal_measure.cohort.layout import (
    APPLICATION_ID,
    INSERT_READING,
    LAYOUT,
    MEASURED_NAMES,
    TABLES,
    entry_of,
    entry_row,
    statements,
)
from meniscal_measure.cohort.redecide import decided_anew
from meniscal_measure.cohort.task import Outcome, Record, Row, Settings, Status, Task, unpacked
from meniscal_measure.errors import ManifestError, OutputError, UsageError

NOTHING_MEASURED = Row((None,) * len(MEASURED_FIELDS), b"")

PAGE = 500
"""Entries looked up at a time, so that memory does not grow with their number."""


@dataclass(frozen=True)
class Past:
    """What the store knows of an entry under given settings."""

    status: Status
    glance: str
    digest: str


class Store:
    """A store of readings; opened, and made if it does not exist.

    Parameters
    ----------
    path
        The SQLite file.
    read_only
        Open a finished store where nothing may be written: an archive, another's folder.

    Raises
    ------
    OutputError
        If it cannot be made or opened.
    UsageError
        If the file is something else, or was made by another version of the layout.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        with self._explained():
            self._base = _opened_to_read(path) if read_only else _opened(path)
            try:
                if not read_only:
                    self._prepare()
                self._check()
            except BaseException:
                self._base.close()
                raise

    def _prepare(self) -> None:
        self._base.execute("PRAGMA journal_mode = WAL")
        self._base.execute("PRAGMA synchronous = NORMAL")
        if not self._ask("SELECT count (*) FROM sqlite_master"):
            with self._whole():
                for statement in statements(TABLES):
                    self._base.execute(statement)
                self._base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                self._base.execute(f"PRAGMA user_version = {LAYOUT}")

    def _check(self) -> None:
        if self._ask("PRAGMA application_id") != APPLICATION_ID:
            raise UsageError(f"{self.path} is a database of something else. Name another file.")
        if self._ask("PRAGMA user_version") != LAYOUT:
            raise UsageError(
                f"{self.path} was written by another version, in another layout than {LAYOUT}."
                " Read it with that version, or give this one a store of its own."
            )

    def _ask(self, query: str) -> Any:
        """Fetch one value."""
        return self._base.execute(query).fetchone()[0]

    @classmethod
    def existing(cls, path: Path) -> Self:
        """Open a store that must be there, only to read where it may not be written.

        Raises
        ------
        UsageError
            If it is not.
        """
        if not path.exists():
            raise UsageError(f"There is no store {path}. Run the measuring of the cohort first.")
        writable = all(os.access(place, os.W_OK) for place in (path, path.parent))
        return cls(path, read_only=not writable)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """Turn what SQLite and the file system raise into errors that say what to do."""
        try:
            yield
        except sqlite3.OperationalError as error:
            raise OutputError(
                f"{self.path} cannot be written: {error}. Make room on the disk, or name a place"
                " you may write to; what was stored is kept, and the same command goes on from it."
            ) from error
        except sqlite3.DatabaseError as error:
            raise UsageError(
                f"{self.path} is not a store of readings: {error}. Name another file."
            ) from error
        except OSError as error:
            raise OutputError(f"{self.path} cannot be made: {error.strerror}.") from error

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """Write all of it or nothing."""
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._base.execute("COMMIT")
        except BaseException:
            if self._base.in_transaction:  # a full disk makes SQLite roll back by itself
                self._base.execute("ROLLBACK")
            raise

    def enrol(self, entries: Iterable[Entry]) -> int:
        """Take a manifest in place of the last one, whole or not at all.

        Returns
        -------
        int
            Number of entries that are to be measured.

        Raises
        ------
        ManifestError
            If two entries are for the same reading.
        """
        insert = f"INSERT INTO entry VALUES (NULL, {', '.join('?' * 11)})"
        with self._explained(), self._whole():
            self._base.execute("DELETE FROM entry")
            try:
                self._base.executemany(insert, map(entry_row, entries))
            except sqlite3.IntegrityError as error:
                raise ManifestError(
                    "Two entries are for the same knee, visit, reader and repeat; number them"
                    " apart."
                ) from error
            return int(self._ask("SELECT count (*) FROM entry WHERE exclude = ''"))

    def begin_run(self, settings: Settings) -> int:
        """Write down that a run under these settings begins; its number names its readings."""
        row = (_now(), settings.to_json(), settings.digest)
        with self._explained(), self._whole():
            insert = "INSERT INTO run (started_at, settings, settings_digest) VALUES (?, ?, ?)"
            run = self._base.execute(insert, row).lastrowid
        assert run is not None  # an INSERT always has one
        return run

    def entries_and_past(self, settings: Settings) -> Iterator[tuple[Entry, Past | None]]:
        """Go through the entries to be measured, each with what is known of it.

        The store may be written to meanwhile.
        """
        query = """
            SELECT e.*, r.status, r.glance, r.digest FROM entry e LEFT JOIN reading r ON r.id = (
                SELECT max (id) FROM reading l WHERE l.key = e.key AND l.settings_digest = ?
            ) WHERE e.exclude = '' AND e.line > ? ORDER BY e.line LIMIT ?"""
        line = 0
        while True:
            with self._explained():
                rows = self._base.execute(query, (settings.digest, line, PAGE)).fetchall()
            if not rows:
                return
            for *entry, status, glance, digest in rows:
                line = entry[0]
                past = Past(Status(status), glance, digest) if status else None
                yield entry_of(entry), past

    def append(self, run: int, outcome: Outcome) -> None:
        """Add an outcome, at once and for good."""
        with self._explained():
            self._base.execute(INSERT_READING, self._reading_row(run, outcome))

    def _reading_row(self, run: int, outcome: Outcome) -> tuple[Any, ...]:
        task, row = outcome.task, outcome.row or NOTHING_MEASURED
        head = (run, task.entry.key, task.settings.digest, task.glance, outcome.digest)
        if outcome.status is Status.UNCHANGED:
            kept = self._last_done(task.entry.key, task.settings.digest)
            return (*head, *kept[:2], outcome.seconds, _now(), *kept[2:])
        status = Status.MEASURED if outcome.status is Status.DECIDED else outcome.status
        found = (status.value, outcome.reason, outcome.seconds, _now())
        return (*head, *found, row.packed or None, *row.values)

    def _last_done(self, key: str, settings_digest: str) -> tuple[Any, ...]:
        query = (
            f"SELECT status, reason, record, {MEASURED_NAMES} FROM reading"
            " WHERE key = ? AND settings_digest = ? ORDER BY id DESC LIMIT 1"
        )
        row: tuple[Any, ...] = self._base.execute(query, (key, settings_digest)).fetchone()
        return row

    def settings_that_measure_like(self, settings: Settings) -> list[str]:
        """List the digests of other settings of which only the decision has to be made anew."""
        with self._explained():
            found = self._base.execute("SELECT DISTINCT settings, settings_digest FROM run")
            return [
                digest
                for text, digest in found
                if digest != settings.digest and settings.measures_like(text)
            ]

    def decided_anew(self, task: Task, digests: list[str]) -> Outcome | None:
        """Take a reading of the same files under other settings, and only decide on it anew.

        Parameters
        ----------
        task
            The reading wanted.
        digests
            What `settings_that_measure_like` listed for its settings.

        Returns
        -------
        Outcome or None
            None where the files were never measured so; a refusal stays one.
        """
        query = f"""SELECT digest, reason, record FROM reading WHERE key = ? AND glance = ?
            AND status IN ('{Status.MEASURED}', '{Status.REFUSED}')
            AND settings_digest IN ({", ".join("?" * len(digests))}) ORDER BY id DESC LIMIT 1"""
        with self._explained():
            found = self._base.execute(query, (task.entry.key, task.glance, *digests)).fetchone()
        if found is None:
            return None
        digest, reason, packed = found
        if packed is None:
            return Outcome(task, Status.REFUSED, digest, reason)
        record = decided_anew(unpacked(packed), task.settings.conventions)
        return Outcome(task, Status.DECIDED, digest, row=Row.of(record))

    def rows(self) -> Iterator[dict[str, Any]]:
        """Go through the current state of every entry, with the columns of `EXPORT_FIELDS`."""
        names = [field.name for field in EXPORT_FIELDS]
        quoted = ", ".join(f'"{name}"' for name in names)
        query = f"SELECT {quoted} FROM current ORDER BY line"
        with self._explained():
            for row in self._base.execute(query):
                yield dict(zip(names, row, strict=True))

    def records(self) -> Iterator[tuple[str, Record]]:
        """Go through the full records of the current readings, each with the key of its entry."""
        query = "SELECT key, record FROM current WHERE record IS NOT NULL ORDER BY line"
        with self._explained():
            for key, packed in self._base.execute(query):
                yield key, unpacked(packed)

    def counts(self) -> dict[str, int]:
        """Count the entries by current status."""
        with self._explained():
            query = "SELECT status, count (*) FROM current GROUP BY status"
            return dict(self._base.execute(query).fetchall())

    def last_settings(self) -> dict[str, Any] | None:
        """Tell the settings of the last run; None before the first."""
        with self._explained():
            query = "SELECT settings FROM run ORDER BY id DESC LIMIT 1"
            row = self._base.execute(query).fetchone()
        return None if row is None else dict(json.loads(row[0]))


def _opened(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    return sqlite3.connect(path, isolation_level=None)


def _opened_to_read(path: Path) -> sqlite3.Connection:
    # With no log beside it nobody is writing, and it can be read without a lock in its folder.
    immutable = "" if Path(f"{path}-wal").exists() else "&immutable=1"
    place = f"{path.absolute().as_uri()}?mode=ro{immutable}"
    return sqlite3.connect(place, uri=True, isolation_level=None)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")

"""The readings of a cohort in one SQLite file: only ever added to, with a view of what is current.

Tables: `entry` holds the readings asked for, by one manifest or by several that add to each other;
`run` names each run with its settings; `reading` holds every outcome ever had, failures included,
and `document` its whole record; both refuse to be changed. The view `current` shows for each entry
its last outcome under the settings of the last run *from the files it names now*, or that it is
excluded or still waiting. Readings made under other settings or from other files stay, and are
never mixed with these.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Self

from meniscal_measure.cohort.columns import MEASURED_FIELDS, Provenance
from meniscal_measure.cohort.enrolment import Enrolment, enrolled
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.redecide import with_threshold
from meniscal_measure.cohort.store_queries import StoreQueries
from meniscal_measure.cohort.store_tables import (
    APPLICATION_ID,
    CASES,
    CURRENT,
    DONE_BEFORE,
    DUE,
    ENTRY_NAMES,
    INSERT_READING,
    LAYOUT,
    PATIENTS,
    TABLES,
    entry_of,
    utc_now,
)
from meniscal_measure.cohort.task import Outcome, Row, Settings, Status, Task, unpacked
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.records.database import (
    explained,
    is_empty,
    open_private,
    run_script,
    transaction,
)

NOTHING_MEASURED = Row((None,) * len(MEASURED_FIELDS), b"")

PAGE = 500
"""Entries looked up at a time, so that memory does not grow with their number."""

DAMAGED = (
    InputError, zlib.error, LookupError, TypeError, ValueError, AttributeError, RecursionError,
)  # fmt: skip
"""What a stored record raises when its bytes were changed."""


class Store(StoreQueries):
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
        with explained(self.path):
            self._base = _opened_to_read(path) if read_only else open_private(path)
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
        if is_empty(self._base):
            with transaction(self._base):
                run_script(self._base, TABLES)
                self._base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                self._base.execute(f"PRAGMA user_version = {LAYOUT}")

    def _check(self) -> None:
        if self._ask("PRAGMA application_id") != APPLICATION_ID:
            raise UsageError(
                "{path:private} is a database of something else. Name another file.",
                path=str(self.path),
            )
        if self._ask("PRAGMA user_version") != LAYOUT:
            raise UsageError(
                "{path:private} was written by another version, in another layout than {layout}."
                " Read it with that version, or give this one a store of its own.",
                path=str(self.path),
                layout=LAYOUT,
            )

    @classmethod
    def existing(cls, path: Path) -> Self:
        """Open a store that must be there, only to read where it may not be written.

        Raises
        ------
        UsageError
            If it is not.
        """
        if not path.exists():
            raise UsageError(
                "There is no store {path:private}. Run the measuring of the cohort first.",
                path=str(path),
            )
        writable = all(os.access(place, os.W_OK) for place in (path, path.parent))
        return cls(path, read_only=not writable)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def enrol(self, entries: Iterable[Entry], *, replace: bool = False) -> Enrolment:
        """Add a manifest to the store, whole or not at all, and look at every file once.

        Parameters
        ----------
        entries
            An entry that is there already is replaced; those of earlier manifests stay.
        replace
            Take out the entries of earlier manifests instead. Their readings stay stored.

        Raises
        ------
        ManifestError
            If two entries are for the same reading, an entry takes the images of another subject or
            visit, or files cannot be found.
        """
        with explained(self.path), transaction(self._base):
            found = enrolled(self._base, entries, replace=replace)
            settings = self._last_settings_number()
            if settings is not None:
                self._base.execute(CURRENT, (settings,))
            return found

    def begin_run(self, settings: Settings) -> int:
        """Record that a run under these settings begins, and give it a number."""
        with explained(self.path), transaction(self._base):
            for statement in PATIENTS:
                self._base.execute(statement)
            insert = "INSERT OR IGNORE INTO settings (digest, told) VALUES (?, ?)"
            self._base.execute(insert, (settings.digest, settings.to_json()))
            number, before = self._settings_number(settings), self._last_settings_number()
            insert = "INSERT INTO run (started_at, settings) VALUES (?, ?)"
            run = self._base.execute(insert, (utc_now(), number)).lastrowid
            if number != before:
                self._base.execute("UPDATE entry SET reading = NULL WHERE reading IS NOT NULL")
            self._base.execute(CURRENT, (number,))
        assert run is not None  # an INSERT always has one
        return run

    def _settings_number(self, settings: Settings) -> int:
        with explained(self.path):
            number = self._ask("SELECT number FROM settings WHERE digest = ?", settings.digest)
            if not isinstance(number, int):
                raise ValueError("its table of settings is damaged")
            return number

    def _last_settings_number(self) -> int | None:
        number: int | None = self._ask("SELECT settings FROM run ORDER BY id DESC LIMIT 1")
        return number

    def due_count(self, *, retry_refused: bool) -> int:
        """Count the entries that are to be measured in this run."""
        return int(self._ask(f"SELECT count (*) {DUE}", retry_refused))

    def due(self, settings: Settings, *, retry_refused: bool) -> Iterator[Task]:
        """Iterate over the entries to be measured, each with the hash it was last measured from.

        The store may be written to meanwhile.
        """
        names = ", ".join(f"e.{name}" for name in ENTRY_NAMES.split(", "))
        settled = "'measured'" if retry_refused else "'measured', 'refused'"
        query = f"""SELECT e.line, e.fingerprint, (
                SELECT digest FROM reading l WHERE l.id = (
                    SELECT max (id) FROM reading m WHERE m.key = e.key AND m.settings = ?
                ) AND l.status IN ({settled})
            ), {names} {DUE} AND e.line > ? ORDER BY e.line LIMIT ?"""
        number = self._settings_number(settings)
        patient_key = self._ask("SELECT key FROM patient_key")
        line = 0
        while True:
            with explained(self.path):
                rows = self._base.execute(query, (number, retry_refused, line, PAGE)).fetchall()
            if not rows:
                return
            line = rows[-1][0]
            for _, fingerprint, digest, *columns in rows:
                yield Task(entry_of(tuple(columns)), settings, fingerprint, digest, patient_key)

    def append(self, run: int, outcome: Outcome) -> None:
        """Add an outcome, at once and for good."""
        task, row = outcome.task, outcome.row or NOTHING_MEASURED
        status = Status.MEASURED if outcome.status is Status.DECIDED else outcome.status
        found = [status, outcome.reason, row.packed, *row.values]
        with explained(self.path), transaction(self._base):
            number = self._settings_number(task.settings)
            if outcome.status is Status.UNCHANGED:
                found = list(self._base.execute(DONE_BEFORE, (task.entry.key, number)).fetchone())
            word, reason, packed, *values = found
            head = (run, task.entry.key, number, task.fingerprint, outcome.digest, word, reason)
            measured = (*head, outcome.seconds, utc_now(), *values)
            reading = self._base.execute(INSERT_READING, measured).lastrowid
            if packed:
                insert = "INSERT INTO document VALUES (?, ?)"
                self._base.execute(insert, (reading, packed))
            if any(outcome.patient):
                insert = "INSERT OR REPLACE INTO patient VALUES (?, ?, ?, ?, ?)"
                self._base.execute(insert, (task.entry.key, outcome.digest, *outcome.patient))
            update = "UPDATE entry SET reading = ? WHERE key = ? AND fingerprint = ?"
            self._base.execute(update, (reading, task.entry.key, task.fingerprint))

    def settings_that_measure_like(self, settings: Settings) -> list[int]:
        """List the numbers of other settings that differ from these in the threshold only."""
        with explained(self.path):
            found = self._base.execute("SELECT number, told, digest FROM settings")
            return [
                number
                for number, text, digest in found
                if digest != settings.digest and settings.measures_like(text)
            ]

    def redecided(self, task: Task, alike: Sequence[int]) -> Outcome | None:
        """Take a reading of the same files under other settings, and apply the threshold only.

        Parameters
        ----------
        task
            The reading wanted.
        alike
            What `settings_that_measure_like` listed for its settings.

        Returns
        -------
        Outcome or None
            None where the files were never measured so, or where the record of it is damaged; a
            refusal stays one.
        """
        query = f"""SELECT digest, reason, record, image_sha256, landmark_sha256, network_sha256
            FROM reading r LEFT JOIN document d ON d.reading = r.id
            WHERE key = ? AND fingerprint = ?
            AND status IN ('{Status.MEASURED}', '{Status.REFUSED}')
            AND settings IN ({", ".join("?" * len(alike))}) ORDER BY id DESC LIMIT 1"""
        with explained(self.path):
            values = (task.entry.key, task.fingerprint, *alike)
            found = self._base.execute(query, values).fetchone()
        if found is None:
            return None
        digest, reason, packed, *made_from = found
        if packed is None:
            return Outcome(task, Status.REFUSED, digest, reason)
        try:
            record = with_threshold(unpacked(packed), task.settings.conventions)
            row = Row.of(record, Provenance(*(one or "" for one in made_from)))
        except DAMAGED:
            return None
        return Outcome(task, Status.DECIDED, digest, row=row)

    def add_case(self, key: str, made_at: str, record: bytes) -> None:
        """Add the record of a case; one that is there already is left as it is."""
        with explained(self.path), transaction(self._base):
            self._base.execute(CASES)
            insert = "INSERT OR IGNORE INTO knee_case (key, made_at, record) VALUES (?, ?, ?)"
            self._base.execute(insert, (key, made_at, zlib.compress(record)))


def _opened_to_read(path: Path) -> sqlite3.Connection:
    # Without a log beside it nothing is being written, and it can be read without a lock.
    immutable = "" if Path(f"{path}-wal").exists() else "&immutable=1"
    place = f"{path.absolute().as_uri()}?mode=ro{immutable}"
    return sqlite3.connect(place, uri=True, isolation_level=None)

"""The file in which signings and working states are kept: one SQLite database.

Rollback journal and `synchronous=EXTRA`: a transaction that was reported done is on the disk, and
one that was not leaves nothing behind (SQLite documentation, "Atomic Commit In SQLite" and "PRAGMA
synchronous"). The write-ahead log is not used, as it does not work on shared folders.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from meniscal_measure.errors import UsageError
from meniscal_measure.records.database import (
    explained,
    is_empty,
    open_private,
    run_script,
    transaction,
)

LAYOUT = "meniscal_measure review 3"
"""Names the layout of the database; another one is refused."""

_TABLES = """
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE signing (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    reader TEXT NOT NULL,
    knee TEXT NOT NULL,
    round INTEGER NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('measured', 'rejected', 'withdrawn')),
    signed_at TEXT NOT NULL,
    content TEXT NOT NULL,
    previous TEXT NOT NULL,
    digest TEXT NOT NULL UNIQUE
);
CREATE INDEX signing_of_task ON signing (reader, knee, round);
CREATE TRIGGER signing_is_never_changed BEFORE UPDATE ON signing
    BEGIN SELECT RAISE(ABORT, 'a signing is never changed'); END;
CREATE TRIGGER signing_is_never_removed BEFORE DELETE ON signing
    BEGIN SELECT RAISE(ABORT, 'a signing is never removed'); END;
CREATE TABLE desk (
    reader TEXT NOT NULL,
    knee TEXT NOT NULL,
    round INTEGER NOT NULL,
    images TEXT NOT NULL,
    revision INTEGER NOT NULL,
    step INTEGER NOT NULL,
    view TEXT,
    opened INTEGER NOT NULL,
    PRIMARY KEY (reader, knee, round, images)
);
CREATE TABLE step (
    reader TEXT NOT NULL,
    knee TEXT NOT NULL,
    round INTEGER NOT NULL,
    images TEXT NOT NULL,
    step INTEGER NOT NULL,
    state TEXT NOT NULL,
    PRIMARY KEY (reader, knee, round, images, step)
);
"""


@dataclass(frozen=True)
class TaskKey:
    """What a signing or a working state belongs to: one reading of one knee by one reader."""

    reader: str
    knee: str
    round: int
    """1, or more when the knee is shown again without notice."""


class SignedStore:
    """Opens the database for one transaction at a time.

    `about` are the settings that the readings depend on. They are written into a new store; one
    that is there must have been started with the same.

    Raises
    ------
    OutputError
        If the file cannot be made or written.
    UsageError
        If the file is something else, or was started with other settings.
    """

    def __init__(self, path: Path, about: Mapping[str, str]) -> None:
        self.path = path
        with self._connected() as connection, transaction(connection):
            if not is_empty(connection):
                self.about = self._checked(connection, about)
                return
            run_script(connection, _TABLES)
            self.about = {"layout": LAYOUT, "secret": secrets.token_hex(), **about}
            connection.executemany("INSERT INTO about VALUES (?, ?)", self.about.items())

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Open a connection that sees one state of the store."""
        with self._connected() as connection:
            connection.execute("BEGIN")
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Open a connection whose changes are all on the disk afterwards, or none of them."""
        with self._connected() as connection, transaction(connection):
            yield connection

    @contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        with explained(self.path), closing(open_private(self.path)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA synchronous = EXTRA")
            yield connection

    def _checked(self, connection: sqlite3.Connection, about: Mapping[str, str]) -> dict[str, str]:
        try:
            kept = dict(connection.execute("SELECT key, value FROM about").fetchall())
        except sqlite3.OperationalError:
            kept = {}
        if kept.get("layout") != LAYOUT:
            raise UsageError(
                "{path:private} is not a store of readings of this version. Name another file.",
                path=str(self.path),
            )
        for key, value in about.items():
            if kept.get(key) != value:
                raise UsageError(
                    "{path:private} was started with {key} = {kept:private}, and now {key} ="
                    " {value:private} is asked for. Continue with the same settings, or name a new"
                    " file.",
                    path=str(self.path),
                    key=key,
                    kept=str(kept.get(key)),
                    value=value,
                )
        return kept

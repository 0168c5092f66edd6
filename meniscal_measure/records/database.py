"""SQLite files of readings: private to their owner, transactional, with errors in plain words."""

from __future__ import annotations

import os
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from meniscal_measure.errors import OutputError, UsageError

BUSY_WAIT_S = 10.0
"""How long a write waits for the write of another program to end."""


def open_private(path: Path) -> sqlite3.Connection:
    """Open a database file; a new one may be read by its owner only, and so may its folder.

    Transactions are started and ended explicitly, see `transaction`.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    return sqlite3.connect(path, timeout=BUSY_WAIT_S, isolation_level=None)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Write all of it or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk makes SQLite roll back by itself
            connection.execute("ROLLBACK")
        raise


def is_empty(connection: sqlite3.Connection) -> bool:
    """Whether nothing was ever made in a database.

    Examples
    --------
    >>> is_empty(sqlite3.connect(":memory:"))
    True
    """
    return not connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()


def run_script(connection: sqlite3.Connection, script: str) -> None:
    """Carry out several statements within the transaction that is open.

    Examples
    --------
    >>> connection = sqlite3.connect(":memory:")
    >>> run_script(connection, "CREATE TABLE a (x); INSERT INTO a VALUES (';');")
    >>> connection.execute("SELECT x FROM a").fetchone()
    (';',)
    """
    statement = ""
    for piece in script.split(";"):
        statement += piece + ";"
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn what SQLite and the file system raise into errors that say what to do.

    Raises
    ------
    OutputError
        If the file cannot be made, read or written, is not a database, or what it holds is damaged.
    UsageError
        If a number is too large for one.
    """
    try:
        yield
    except OverflowError as error:
        raise UsageError(
            "A number is too large for the store {store:private}. Give a smaller one.",
            store=str(path),
        ) from error
    except (sqlite3.DatabaseError, zlib.error, ValueError) as error:
        raise OutputError(
            "The store {store:private} cannot be used: {reason:private}. What was stored before"
            " is safe. Make room on the disk, or see that this is a store of readings and may be"
            " written; then do it again.",
            store=str(path),
            reason=str(error),
        ) from error
    except OSError as error:
        raise OutputError(
            "The store {store:private} cannot be made: {reason}. Name a place you may write to.",
            store=str(path),
            reason=error.strerror or str(error),
        ) from error

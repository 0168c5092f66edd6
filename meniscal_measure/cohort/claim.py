"""One run at a time on one store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from meniscal_measure.errors import OutputError, UsageError


@contextmanager
def claimed(store: Path) -> Iterator[None]:
    """Hold a store for one run; others may read it meanwhile.

    The claim is a lock that the operating system takes back when the process ends, however it
    ends, and that worker processes do not inherit. It lies in a file beside the store.

    Raises
    ------
    UsageError
        If another run holds it.
    OutputError
        If the folder cannot be written.
    """
    with closing(_lock(store)):
        yield


def _lock(store: Path) -> sqlite3.Connection:
    beside = Path(f"{store}-claim")
    try:
        beside.parent.mkdir(parents=True, exist_ok=True)
        lock = sqlite3.connect(beside, isolation_level=None, timeout=0)
        lock.execute("BEGIN EXCLUSIVE")
    except (sqlite3.OperationalError, OSError) as error:
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY:
            raise UsageError(
                "Another run is working on {store:private}. Wait for it to end, or give this one"
                " a store of its own.",
                store=str(store),
            ) from error
        raise OutputError(
            "{path:private} cannot be written: {reason:private}. Name a place you may write to.",
            path=str(beside),
            reason=str(error),
        ) from error
    return lock

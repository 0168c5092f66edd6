"""Working states: what a reader has done on a knee and not yet signed, every step of it kept.

Each change is a step; undo and redo move among the steps. The revision grows with every change, and
a change that was made on an older revision is refused: two tabs never overwrite each other.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from meniscal_measure.errors import StaleStateError, UsageError
from meniscal_measure.review.store import Store, TaskKey

_OF_TASK = "reader = ? AND knee = ? AND round = ?"


@dataclass(frozen=True)
class Draft:
    """The newest working state of one reading. `state` and `view` are JSON text."""

    revision: int
    state: str
    can_undo: bool
    can_redo: bool
    view: str | None


class Drafts:
    """Reads and moves working states."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def begin(self, key: TaskKey, images: str, state: str) -> Draft:
        """Return the working state as it was left, or begin one with `state`.

        Parameters
        ----------
        key
            The reading.
        images
            UID of the series the state belongs to.
        state
            State to begin with.

        Raises
        ------
        UsageError
            If the state was begun on other images.
        """
        with self._store.writing() as connection:
            row = connection.execute(
                f"SELECT images FROM desk WHERE {_OF_TASK}", _values(key)
            ).fetchone()
            if row is None:
                connection.execute(
                    "INSERT INTO desk VALUES (?, ?, ?, ?, 0, 0, NULL)", (*_values(key), images)
                )
                connection.execute(
                    "INSERT INTO step VALUES (?, ?, ?, 0, ?)", (*_values(key), state)
                )
            elif row[0] != images:
                raise UsageError(
                    "The working state kept for this knee was begun on other images. Name another"
                    " store, or give the knee another name in the work list."
                )
            return _draft(connection, key)

    def at(self, key: TaskKey, revision: int) -> Draft:
        """Return the working state if it is still at this revision."""
        with self._store.reading() as connection:
            _step(connection, key, revision)
            return _draft(connection, key)

    def first(self, key: TaskKey) -> str:
        """Return the state a reading was begun with: what was proposed then."""
        with self._store.reading() as connection:
            row = connection.execute(
                f"SELECT state FROM step WHERE {_OF_TASK} ORDER BY step LIMIT 1", _values(key)
            ).fetchone()
        return str(row[0])

    def change(self, key: TaskKey, revision: int, state: str) -> Draft:
        """Keep a new state; steps that had been undone are dropped."""
        with self._store.writing() as connection:
            step = _step(connection, key, revision) + 1
            connection.execute(
                f"DELETE FROM step WHERE {_OF_TASK} AND step >= ?", (*_values(key), step)
            )
            connection.execute(
                "INSERT INTO step VALUES (?, ?, ?, ?, ?)", (*_values(key), step, state)
            )
            return _moved_to(connection, key, step)

    def move(self, key: TaskKey, revision: int, by: int) -> Draft:
        """Undo (-1) or redo (+1); stays where it is at either end."""
        with self._store.writing() as connection:
            step = _step(connection, key, revision) + by
            draft = _draft(connection, key)
            if not (draft.can_undo if by < 0 else draft.can_redo):
                return draft
            return _moved_to(connection, key, step)

    def signed(self, connection: sqlite3.Connection, key: TaskKey, revision: int) -> Draft:
        """Note within the transaction of a signing that this revision was signed."""
        return _moved_to(connection, key, _step(connection, key, revision))

    def keep_view(self, key: TaskKey, view: str) -> None:
        """Keep slice, window and zoom; the newest wins."""
        with self._store.writing() as connection:
            connection.execute(f"UPDATE desk SET view = ? WHERE {_OF_TASK}", (view, *_values(key)))

    def begun(self, reader: str) -> set[tuple[str, int]]:
        """Knee and round of every reading on which this reader has changed something."""
        with self._store.reading() as connection:
            rows = connection.execute(
                "SELECT knee, round FROM desk WHERE reader = ? AND revision > 0", (reader,)
            ).fetchall()
        return {(knee, round_) for knee, round_ in rows}


def _values(key: TaskKey) -> tuple[str, str, int]:
    return key.reader, key.knee, key.round


def _step(connection: sqlite3.Connection, key: TaskKey, revision: int) -> int:
    row = connection.execute(
        f"SELECT revision, step FROM desk WHERE {_OF_TASK}", _values(key)
    ).fetchone()
    if row is None:
        raise UsageError("Nothing was begun on this knee. Open it first.")
    if row[0] != revision:
        raise StaleStateError(
            "This knee was changed in another tab or window in the meantime. The newest state is"
            " shown now; the last change made here was not kept."
        )
    return int(row[1])


def _moved_to(connection: sqlite3.Connection, key: TaskKey, step: int) -> Draft:
    connection.execute(
        f"UPDATE desk SET step = ?, revision = revision + 1 WHERE {_OF_TASK}", (step, *_values(key))
    )
    return _draft(connection, key)


def _draft(connection: sqlite3.Connection, key: TaskKey) -> Draft:
    revision, step, view = connection.execute(
        f"SELECT revision, step, view FROM desk WHERE {_OF_TASK}", _values(key)
    ).fetchone()
    steps = dict(
        connection.execute(
            f"SELECT step, CASE step WHEN ? THEN state END FROM step WHERE {_OF_TASK}",
            (step, *_values(key)),
        ).fetchall()
    )
    return Draft(revision, steps[step], step > min(steps), step < max(steps), view)

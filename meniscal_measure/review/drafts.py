"""Working states: what a reader has done on a knee and not yet signed, every step of it saved.

Each change is a step; undo and redo move among the steps. The revision grows with every change, and
a change that was made on an older revision is refused: two tabs never overwrite each other.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from meniscal_measure.errors import StaleStateError, UsageError
from meniscal_measure.records.signed_store import SignedStore, TaskKey

CHANGED_ELSEWHERE = (
    "This knee was changed in another tab or window in the meantime. The newest state is shown"
    " now; the last change made here was not saved."
)

_OF_TASK = "reader = ? AND knee = ? AND round = ?"
_OPENED = f"SELECT images, opened FROM desk WHERE {_OF_TASK} ORDER BY opened DESC"
_OF_DRAFT = f"{_OF_TASK} AND images = ?"


@dataclass(frozen=True)
class DraftKey:
    """What a working state belongs to: a reading, and the series it is done on."""

    task: TaskKey
    images: str

    @property
    def values(self) -> tuple[str, str, int, str]:
        """As the columns of the store have it."""
        return self.task.reader, self.task.knee, self.task.round, self.images


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

    def __init__(self, store: SignedStore) -> None:
        self._store = store

    def begin(self, key: DraftKey, state: str) -> Draft:
        """Return the working state on these images as it was left, or begin one with `state`.

        A reader may have begun on several series of a knee.
        """
        with self._store.writing() as connection:
            opened = connection.execute(_OPENED, key.values[:3]).fetchall()
            newest = opened[0][1] + 1 if opened else 0
            if key.images not in dict(opened):
                connection.execute(
                    "INSERT INTO desk VALUES (?, ?, ?, ?, 0, 0, NULL, ?)", (*key.values, newest)
                )
                connection.execute(
                    "INSERT INTO step VALUES (?, ?, ?, ?, 0, ?)", (*key.values, state)
                )
            elif opened[0][0] != key.images:
                connection.execute(
                    f"UPDATE desk SET opened = ? WHERE {_OF_DRAFT}", (newest, *key.values)
                )
            return _draft(connection, key)

    def begin_again(self, key: DraftKey, revision: int, state: str) -> Draft:
        """Begin with another state, as long as nothing was changed in the first one."""
        with self._store.writing() as connection:
            _step(connection, key, revision)
            if connection.execute(
                f"SELECT 1 FROM step WHERE {_OF_DRAFT} AND step > 0", key.values
            ).fetchone():
                raise StaleStateError(CHANGED_ELSEWHERE)
            connection.execute(f"UPDATE step SET state = ? WHERE {_OF_DRAFT}", (state, *key.values))
            return _moved_to(connection, key, 0)

    def last_images(self, key: TaskKey) -> str:
        """Name the series a reader was last on; empty before the first."""
        with self._store.reading() as connection:
            row = connection.execute(_OPENED, (key.reader, key.knee, key.round)).fetchone()
        return str(row[0]) if row else ""

    def first(self, key: DraftKey) -> str:
        """Return the state a reading was begun with: what was proposed then."""
        with self._store.reading() as connection:
            row = connection.execute(
                f"SELECT state FROM step WHERE {_OF_DRAFT} ORDER BY step LIMIT 1", key.values
            ).fetchone()
        return str(row[0])

    def change(self, key: DraftKey, revision: int, state: str) -> Draft:
        """Save a new state; steps that had been undone are dropped."""
        with self._store.writing() as connection:
            step = _step(connection, key, revision) + 1
            connection.execute(
                f"DELETE FROM step WHERE {_OF_DRAFT} AND step >= ?", (*key.values, step)
            )
            connection.execute(
                "INSERT INTO step VALUES (?, ?, ?, ?, ?, ?)", (*key.values, step, state)
            )
            return _moved_to(connection, key, step)

    def move(self, key: DraftKey, revision: int, by: int) -> Draft:
        """Undo (-1) or redo (+1); stays where it is at either end."""
        with self._store.writing() as connection:
            step = _step(connection, key, revision) + by
            draft = _draft(connection, key)
            if not (draft.can_undo if by < 0 else draft.can_redo):
                return draft
            return _moved_to(connection, key, step)

    def signed(self, connection: sqlite3.Connection, key: DraftKey, revision: int) -> Draft:
        """Note within the transaction of a signing that this revision was signed."""
        return _moved_to(connection, key, _step(connection, key, revision))

    def save_view(self, key: DraftKey, view: str) -> None:
        """Save slice, window and zoom; the newest wins."""
        with self._store.writing() as connection:
            connection.execute(f"UPDATE desk SET view = ? WHERE {_OF_DRAFT}", (view, *key.values))

    def begun(self, reader: str) -> set[tuple[str, int]]:
        """Knee and round of every reading on which this reader has changed something."""
        with self._store.reading() as connection:
            rows = connection.execute(
                "SELECT DISTINCT knee, round FROM step WHERE reader = ? AND step > 0", (reader,)
            ).fetchall()
        return {(knee, round_) for knee, round_ in rows}


def _step(connection: sqlite3.Connection, key: DraftKey, revision: int) -> int:
    row = connection.execute(
        f"SELECT revision, step FROM desk WHERE {_OF_DRAFT}", key.values
    ).fetchone()
    if row is None:
        raise UsageError("Nothing was begun on this knee. Open it first.")
    if row[0] != revision:
        raise StaleStateError(CHANGED_ELSEWHERE)
    return int(row[1])


def _moved_to(connection: sqlite3.Connection, key: DraftKey, step: int) -> Draft:
    connection.execute(
        f"UPDATE desk SET step = ?, revision = revision + 1 WHERE {_OF_DRAFT}", (step, *key.values)
    )
    return _draft(connection, key)


def _draft(connection: sqlite3.Connection, key: DraftKey) -> Draft:
    revision, step, view = connection.execute(
        f"SELECT revision, step, view FROM desk WHERE {_OF_DRAFT}", key.values
    ).fetchone()
    steps = dict(
        connection.execute(
            f"SELECT step, CASE step WHEN ? THEN state END FROM step WHERE {_OF_DRAFT}",
            (step, *key.values),
        ).fetchall()
    )
    return Draft(revision, steps[step], step > min(steps), step < max(steps), view)

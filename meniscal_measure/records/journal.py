"""The signings: an append-only record in which each entry seals the one before."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

from meniscal_measure.errors import InputError
from meniscal_measure.records.signed_store import SignedStore, TaskKey

Json = Mapping[str, Any]

_COLUMNS = "number, reader, knee, round, verdict, signed_at, content, previous, digest"


class Verdict(StrEnum):
    """What a reader signs."""

    MEASURED = "measured"
    REJECTED = "rejected"
    WITHDRAWN = "withdrawn"
    """A rejection is taken back: the knee counts as not signed."""


@dataclass(frozen=True)
class Signing:
    """One signing, as it is stored.

    `content` is JSON text: the reading, the proposal it started from, what was changed, quality,
    remark, settings and software version. `digest` is the SHA-256 of the entry together with
    `previous`, the digest of the entry before it.
    """

    number: int
    key: TaskKey
    verdict: Verdict
    signed_at: str
    """UTC, ISO 8601."""
    content: str
    previous: str
    digest: str

    @property
    def record(self) -> dict[str, Any]:
        """The content, parsed.

        Examples
        --------
        >>> key = TaskKey("A", "K1", 1)
        >>> Signing(1, key, Verdict.REJECTED, "", '{"remark": "motion"}', "", "").record
        {'remark': 'motion'}
        """
        return dict(json.loads(self.content))


@dataclass(frozen=True)
class SigningSummary:
    """The newest signing of a reading, in short."""

    verdict: Verdict
    flags: Mapping[str, bool]
    """Whether each compartment is above the threshold."""
    reading_time_s: float


Signed = TypeVar("Signed", Signing, SigningSummary)


class Journal:
    """Reads and appends signings."""

    def __init__(self, store: SignedStore) -> None:
        self._store = store

    def append(
        self, connection: sqlite3.Connection, key: TaskKey, verdict: Verdict, content: Json
    ) -> Signing:
        """Append a signing within a writing transaction of the store."""
        last = connection.execute(
            "SELECT number, digest FROM signing ORDER BY number DESC LIMIT 1"
        ).fetchone()
        number, previous = (last[0] + 1, last[1]) if last else (1, "")
        signed_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        text = json.dumps(content, ensure_ascii=False, sort_keys=True, allow_nan=False)
        entry = Signing(number, key, verdict, signed_at, text, previous, "")
        row = _row(entry)[:-1]
        signing = _signing((*row, _digest(row)))
        connection.execute(
            f"INSERT INTO signing ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", _row(signing)
        )
        return signing

    def all(self) -> list[Signing]:
        """Every signing, oldest first."""
        with self._store.reading() as connection:
            rows = connection.execute(f"SELECT {_COLUMNS} FROM signing ORDER BY number")
            return [_signing(row) for row in rows]

    def latest(self, key: TaskKey) -> Signing | None:
        """Newest signing of one reading; None before the first."""
        with self._store.reading() as connection:
            return self.latest_within(connection, key)

    def latest_within(self, connection: sqlite3.Connection, key: TaskKey) -> Signing | None:
        """Newest signing of one reading, as a transaction of the store sees it."""
        row = connection.execute(
            f"SELECT {_COLUMNS} FROM signing WHERE reader = ? AND knee = ? AND round = ?"
            " ORDER BY number DESC LIMIT 1",
            (key.reader, key.knee, key.round),
        ).fetchone()
        return _signing(row) if row else None

    def outcomes(self) -> dict[TaskKey, SigningSummary]:
        """Summarise the newest signing of every reading, without withdrawn rejections."""
        with self._store.reading() as connection:
            rows = connection.execute(
                "SELECT reader, knee, round, verdict, json_extract(content, '$.flags'),"
                " json_extract(content, '$.reading_time_s') FROM signing ORDER BY number"
            ).fetchall()
            newest = {
                TaskKey(*key): SigningSummary(Verdict(verdict), _flags(flags), float(time_s or 0.0))
                for *key, verdict, flags, time_s in rows
            }
        return _not_withdrawn(newest)

    def standing(self) -> dict[TaskKey, Signing]:
        """Newest signing of every reading, without withdrawn rejections."""
        return _not_withdrawn({signing.key: signing for signing in self.all()})

    def check(self) -> int:
        """Check that no signing is missing, changed or half-written; return how many there are.

        Raises
        ------
        InputError
            With the number of the first signing that does not fit the one before.
        """
        previous, number = "", 0
        for number, signing in enumerate(self.all(), start=1):
            sealed = number, previous, _digest(_row(signing)[:-1])
            if (signing.number, signing.previous, signing.digest) != sealed:
                raise InputError(
                    "Signing {number} of {path:private} is missing or was changed after it was"
                    " signed. Take the store back from a backup.",
                    number=number,
                    path=str(self._store.path),
                )
            previous = signing.digest
        return number


def _flags(found: object) -> dict[str, bool]:
    flags = json.loads(found) if isinstance(found, str) else found or {}
    if not isinstance(flags, dict):
        raise ValueError("the flags of a signing are damaged")
    return flags


def _not_withdrawn(newest: dict[TaskKey, Signed]) -> dict[TaskKey, Signed]:
    return {key: one for key, one in newest.items() if one.verdict is not Verdict.WITHDRAWN}


def _row(signing: Signing) -> tuple[Any, ...]:
    key = signing.key
    return (
        signing.number, key.reader, key.knee, key.round, signing.verdict.value, signing.signed_at,
        signing.content, signing.previous, signing.digest,
    )  # fmt: skip


def _signing(row: tuple[Any, ...]) -> Signing:
    number, reader, knee, round_, verdict, *rest = row
    return Signing(number, TaskKey(reader, knee, round_), Verdict(verdict), *rest)


def _digest(row: tuple[Any, ...]) -> str:
    return hashlib.sha256(json.dumps(row, ensure_ascii=False).encode()).hexdigest()

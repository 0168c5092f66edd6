"""Bringing a manifest into the store: what stays of earlier ones, and whether files exist."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.cohort.source_files import stat_fingerprint
from meniscal_measure.cohort.store_tables import (
    ENTRY_NAMES,
    INSERT_ENTRY,
    entry_of,
    entry_row,
    utc_now,
)
from meniscal_measure.errors import ManifestError

BLOCK = 10_000
"""Entries that are taken, or whose files are looked at, between two writes."""

MOST_NAMED = 50
"""Most problems of a manifest that a message lists."""


@dataclass(frozen=True)
class Enrolment:
    """What a manifest brought into the store."""

    total: int
    """Entries that are to be measured, those of earlier manifests included."""
    kept: int
    """Entries of earlier manifests that this one does not name, and that stay."""
    left_out: int
    """Entries of earlier manifests that were taken out."""


def enrolled(base: sqlite3.Connection, entries: Iterable[Entry], *, replace: bool) -> Enrolment:
    """Take a manifest into the table of entries; see `store.Store.enrol`.

    The same manifest as last time is not parsed again. Every file is looked at once.
    """
    digest = entries.digest if isinstance(entries, Manifest) else ""
    number, last_digest = base.execute(
        "SELECT coalesce (max (number), 0), (SELECT digest FROM manifest ORDER BY number DESC"
        " LIMIT 1) FROM manifest"
    ).fetchone()
    if not digest or digest != last_digest:
        number = _take(base, entries, digest)
    query = "SELECT count (*) FROM entry WHERE manifest < ?"
    earlier = int(base.execute(query, (number,)).fetchone()[0])
    if replace:
        base.execute("DELETE FROM entry WHERE manifest < ?", (number,))
    elif earlier:
        _refuse_shared_images(base, number)
    _look_at_files(base)
    total = int(base.execute("SELECT count (*) FROM entry WHERE exclude = ''").fetchone()[0])
    return Enrolment(total, 0 if replace else earlier, earlier if replace else 0)


def _take(base: sqlite3.Connection, entries: Iterable[Entry], digest: str) -> int:
    insert = "INSERT INTO manifest (digest, given_at) VALUES (?, ?)"
    number = base.execute(insert, (digest, utc_now())).lastrowid
    assert number is not None  # an INSERT always has one
    rows = ((number, None, *entry_row(entry)) for entry in entries)
    while block := list(islice(rows, BLOCK)):
        remove = "DELETE FROM entry WHERE key = ? AND manifest < ?"
        base.executemany(remove, ((row[2], number) for row in block))
        try:
            base.executemany(INSERT_ENTRY, block)
        except sqlite3.IntegrityError as error:
            raise ManifestError(
                "Two entries are for the same knee, visit, reader and repeat; number them apart."
            ) from error
    return number


def _refuse_shared_images(base: sqlite3.Connection, number: int) -> None:
    query = """
        SELECT a.subject, a.visit, b.subject, b.visit FROM entry a JOIN entry b
        ON a.path = b.path AND a.landmarks = b.landmarks AND a.series IS b.series
        WHERE a.manifest < ? AND b.manifest = ? AND a.exclude = '' AND b.exclude = ''
        AND (a.subject, a.visit) <> (b.subject, b.visit) LIMIT ?"""
    found = base.execute(query, (number, number, MOST_NAMED)).fetchall()
    if found:
        named = "\n  ".join(
            f"subject {new} visit {new_visit}: as subject {old} visit {old_visit} before"
            for old, old_visit, new, new_visit in found
        )
        raise ManifestError(
            "Images that an earlier manifest of this store gave to another subject or visit."
            f" Correct the manifest, or leave the earlier ones out (--replace):\n  {named}"
        )


def _look_at_files(base: sqlite3.Connection) -> None:
    """Fingerprint the files of every entry; one whose files changed has no reading any more."""
    query = (
        f"SELECT line, fingerprint, {ENTRY_NAMES} FROM entry WHERE line > ? AND exclude = ''"
        " ORDER BY line LIMIT ?"
    )
    update = "UPDATE entry SET fingerprint = ?, reading = NULL WHERE line = ?"
    line, missing = 0, []
    while rows := base.execute(query, (line, BLOCK)).fetchall():
        line, changed = rows[-1][0], []
        for number, before, *columns in rows:
            entry = entry_of(tuple(columns))
            now = stat_fingerprint(entry)
            if now is None:
                missing.append(_not_found(entry))
            elif now != before:
                changed.append((now, number))
        base.executemany(update, changed)
    if missing:
        more = len(missing) - MOST_NAMED
        raise ManifestError(
            f"{len(missing)} entries name files that cannot be found; nothing was measured. Correct"
            " their paths, or give a reason in the column exclude:\n  "
            + "\n  ".join(missing[:MOST_NAMED])
            + (f"\n  and {more} more" if more > 0 else "")
        )


def _not_found(entry: Entry) -> str:
    what = "the images or the landmark file" if entry.landmarks else "the images"
    names = ", ".join(filter(None, (entry.subject, entry.visit, entry.reader)))
    places = " or ".join(filter(None, (entry.path, entry.landmarks)))
    return f"{names}: {what} {places}"

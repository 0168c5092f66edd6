"""The manifest of a cohort: a table of one line per reading, checked whole before it is used.

Columns, in any order and in capitals or not; `subject` and `path` are required::

    subject    pseudonym of the person
    visit      name of the visit
    side       left or right (or L, R); empty where the images say it
    group      name of the group
    path       folder, archive or file of the images, from the manifest's folder; or a URL
    landmarks  landmark file, likewise
    reader     who placed the landmarks
    repeat     1, 2, ... where a reader placed them more than once
    series     number of the series to measure, where not the one ranked first
    exclude    why the knee is left out of the study; such a line needs no path

Any other column is kept as a covariate of the reading, such as age, sex or body mass index. How
the file separates its cells is detected, see `table_file`.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from pathlib import Path

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.source_files import is_url
from meniscal_measure.cohort.table_file import InputTable, as_name, read_table
from meniscal_measure.errors import ManifestError
from meniscal_measure.files import csv_text

COLUMNS = ("subject", "visit", "side", "group", "path", "landmarks", "reader", "repeat", "series",
           "exclude")  # fmt: skip
REQUIRED = ("subject", "path")
"""Columns without which no line can be used."""

NAMES = ("subject", "visit", "group", "reader")
"""Columns by which lines belong together, however their letters are coded."""

SIMILAR = {
    "id": "subject", "patient": "subject", "participant": "subject",
    "folder": "path", "file": "path", "study": "path",
}  # fmt: skip
"""Names people give to the required columns; offered where one is missing."""


class Manifest:
    """A manifest in a file, read and checked anew, with its problems, each time it is iterated.

    Parameters
    ----------
    path
        CSV or Parquet file. Relative paths inside are taken from its folder.

    See Also
    --------
    meniscal_measure.cohort.store.Store.enrol : takes a manifest whole or not at all.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def digest(self) -> str:
        """Identifies this manifest in this folder.

        Raises
        ------
        UsageError
            If the file cannot be read.
        """
        read_table(self.path)
        with self.path.open("rb") as stream:
            found = hashlib.file_digest(stream, "sha256").hexdigest()
        return f"{self.path.absolute().parent} {found}"

    def __iter__(self) -> Iterator[Entry]:
        """Read and check line by line, in memory that does not grow with the manifest.

        Yields
        ------
        Entry
            One for each good line. Take them all before using any: what is wrong with the manifest
            is raised after the last.

        Raises
        ------
        UsageError
            If the file cannot be read, or Parquet is not supported here.
        ManifestError
            If any line cannot be used. The message lists all of them.
        """
        table = read_table(self.path)
        _check_columns(table)
        names = tuple(name for name in table.columns if name and name not in COLUMNS)
        problems: list[str] = []
        with closing(_Seen()) as seen:
            for number, line in table.rows:
                entry, wrong = _entry(line, self.path.parent, names)
                wrong = wrong or list(_met_before(seen, entry, number))
                problems.extend(f"line {number}: {what}" for what in wrong)
                if not wrong:
                    yield entry
        if problems:
            raise ManifestError(
                "{path:private} has {count} problems; nothing was measured. Correct them all:\n"
                "  {problems:private}",
                path=str(self.path),
                count=len(problems),
                problems="\n  ".join(problems),
            )


def manifest_csv(entries: Iterable[Entry]) -> str:
    """Write entries as a manifest, to be looked over and completed by a person.

    Examples
    --------
    >>> manifest_csv([Entry(subject="S1", path="images")]).splitlines()[1]
    'S1,,,,images,,,1,,'
    """
    listed = list(entries)
    others = list(dict.fromkeys(name for entry in listed for name, _ in entry.covariates))
    columns = [*COLUMNS, *others]
    cells = (vars(e) | {"side": e.side_word} | dict(e.covariates) for e in listed)
    return csv_text(columns, ([row.get(name, "") for name in columns] for row in cells))


class _Seen:
    """Keys seen so far, stored on disk so that any number of them fits."""

    def __init__(self) -> None:
        self._base = sqlite3.connect("")
        self._base.execute(
            "CREATE TABLE seen (key TEXT PRIMARY KEY, line INTEGER, owner TEXT) WITHOUT ROWID"
        )

    def first(self, key: str, line: int, owner: str) -> tuple[int, str]:
        """Line on which the key was first seen, and its owner there; this line if it is new."""
        self._base.execute("INSERT OR IGNORE INTO seen VALUES (?, ?, ?)", (key, line, owner))
        query = "SELECT line, owner FROM seen WHERE key = ?"
        found: tuple[int, str] = self._base.execute(query, (key,)).fetchone()
        return found

    def close(self) -> None:
        self._base.close()


def _met_before(seen: _Seen, entry: Entry, number: int) -> Iterator[str]:
    """Find an earlier line that this one repeats, or whose images it takes for another visit."""
    line, _ = seen.first(entry.key, number, "")
    if line != number:
        yield f"the same knee, visit, reader and repeat as line {line}"
    if entry.exclude:
        return
    owner = json.dumps([entry.subject, entry.visit])
    place = entry.path if is_url(entry.path) else os.path.normpath(entry.path)
    images = json.dumps([place, entry.landmarks, entry.series])
    line, first_owner = seen.first(images, number, owner)
    if first_owner != owner:
        yield (
            f"the same images as line {line}, for another subject or visit; name the folder of"
            " each examination, or its series"
        )


def _check_columns(table: InputTable) -> None:
    missing = [name for name in REQUIRED if name not in table.columns]
    if not missing:
        return
    said = [f"there is no column {name!r}" for name in missing]
    meant = [
        f"perhaps {column!r} is meant to be {name!r}"
        for column, name in ((column, SIMILAR.get(column)) for column in table.columns)
        if name in missing
    ]
    raise ManifestError(
        "{path:private}: {problems:private}. Found, {how}: the columns {columns:private}. Known"
        " columns are {known}; any other is kept as a covariate.",
        path=str(table.path),
        problems="; ".join(said + meant),
        how=table.how,
        columns=", ".join(table.columns),
        known=", ".join(COLUMNS),
    )


def _entry(
    line: Mapping[str, str], folder: Path, covariates: tuple[str, ...]
) -> tuple[Entry, list[str]]:
    """Turn a line into an entry, with what is wrong with it."""
    cells = {name: line.get(name, "") for name in COLUMNS}
    cells |= {name: as_name(cells[name]) for name in NAMES}
    wrong = ["more cells than there are columns"] if line.get("") else []
    repeat = _whole(cells["repeat"] or "1", "repeat", wrong)
    series = _whole(cells["series"], "series", wrong) if cells["series"] else None
    if cells["side"].lower() not in SIDE_SPELLINGS:
        wrong.append(f"side {cells['side']!r} is neither left nor right")
    entry = Entry(
        subject=cells["subject"],
        path=_located(cells["path"], folder),
        visit=cells["visit"],
        side=SIDE_SPELLINGS.get(cells["side"].lower()),
        group=cells["group"],
        landmarks=_located(cells["landmarks"], folder),
        reader=cells["reader"],
        repeat=repeat,
        series=series,
        exclude=cells["exclude"],
        covariates=tuple((name, line.get(name, "")) for name in covariates),
    )
    if not entry.subject:
        wrong.append("no subject")
    if not (entry.path or entry.exclude):
        wrong.append("no path, and no reason in column exclude")
    return entry, wrong


def _whole(text: str, name: str, wrong: list[str]) -> int:
    if text.isdecimal() and len(text) < 10 and int(text) >= 1:
        return int(text)
    wrong.append(f"{name} {text[:20]!r} is not a whole number from 1")
    return 1


def _located(text: str, folder: Path) -> str:
    return text if not text or is_url(text) else str(folder.absolute() / text)

"""The manifest of a cohort: a table of one line per reading, checked whole before it is used.

Columns, in any order, CSV (UTF-8, comma) or Parquet; `subject` and `path` are required::

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
"""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.errors import ManifestError, UsageError
from meniscal_measure.files import csv_text

COLUMNS = (
    "subject",
    "visit",
    "side",
    "group",
    "path",
    "landmarks",
    "reader",
    "repeat",
    "series",
    "exclude",
)
REQUIRED = ("subject", "path")
"""Columns without which no line can be used."""

PARQUET_SUFFIXES = (".parquet", ".pq")
"""Endings of a manifest that is read as Parquet; any other is CSV."""


def read_manifest(path: Path, *, landmarks_placed: bool = True) -> Iterator[Entry]:
    """Read and check a manifest line by line, in memory that does not grow with it.

    Parameters
    ----------
    path
        CSV or Parquet file. Relative paths inside are taken from its folder.
    landmarks_placed
        Whether the landmark files it names must be there; False while readers are at work.

    Yields
    ------
    Entry
        One for each good line. Take them all before using any: what is wrong with the manifest is
        raised after the last.

    Raises
    ------
    UsageError
        If the file cannot be read, or Parquet is not supported here.
    ManifestError
        If any line cannot be used. The message lists all of them.

    See Also
    --------
    meniscal_measure.cohort.store.Store.enrol : takes a manifest whole or not at all.
    """
    lines = _parquet_lines(path) if path.suffix.lower() in PARQUET_SUFFIXES else _csv_lines(path)
    problems: list[str] = []
    with closing(_Seen()) as seen:
        for number, line in lines:
            entry, wrong = _entry(line, path.parent)
            wrong += _unusable(entry, landmarks_placed=landmarks_placed)
            if not wrong:
                wrong = list(_met_before(seen, entry, number))
            problems.extend(f"line {number}: {what}" for what in wrong)
            if not wrong:
                yield entry
    if problems:
        raise ManifestError(
            f"{path} has {len(problems)} problems; nothing was measured. Correct them all:\n  "
            + "\n  ".join(problems)
        )


def manifest_csv(entries: Iterable[Entry]) -> str:
    """Write entries as a manifest, to be looked over and completed by a person."""
    return csv_text(COLUMNS, (_cells(entry).values() for entry in entries))


def _cells(entry: Entry) -> dict[str, object]:
    cells: dict[str, object] = {name: getattr(entry, name) for name in COLUMNS}
    return cells | {"side": entry.side.word if entry.side else ""}


class _Seen:
    """Which keys have been met, kept on disk so that any number of them fits."""

    def __init__(self) -> None:
        self._base = sqlite3.connect("")
        self._base.execute(
            "CREATE TABLE seen (key TEXT PRIMARY KEY, line INTEGER, owner TEXT) WITHOUT ROWID"
        )

    def first(self, key: str, line: int, owner: str) -> tuple[int, str]:
        """Line on which the key was met first, and whose it was there; this one if it is new."""
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
    images = json.dumps([entry.path, entry.landmarks, entry.series])
    line, first_owner = seen.first(images, number, owner)
    if first_owner != owner:
        yield (
            f"the same images as line {line}, for another subject or visit; name the folder of"
            " each examination, or its series"
        )


def _csv_lines(path: Path) -> Iterator[tuple[int, Mapping[str, str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream, restkey="")
            _check_columns(path, reader.fieldnames or ())
            for row in reader:
                yield reader.line_num, {name: value or "" for name, value in row.items()}
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}. Name a CSV file.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{path} is not a CSV table in UTF-8: {error}. Save it as one.") from error


def _parquet_lines(path: Path) -> Iterator[tuple[int, Mapping[str, str]]]:
    try:
        import pyarrow as pa  # type: ignore[import-untyped]
        from pyarrow import parquet
    except ImportError as error:
        raise UsageError(
            "Reading Parquet needs pyarrow, which is not installed:"
            " pip install 'meniscal-measure[parquet]'. Or give the manifest as CSV."
        ) from error
    try:
        with path.open("rb") as stream, parquet.ParquetFile(stream) as file:
            _check_columns(path, file.schema_arrow.names)
            number = 0
            for batch in file.iter_batches():
                for row in batch.to_pylist():
                    number += 1
                    yield number, {name: _text(value) for name, value in row.items()}
    except FileNotFoundError as error:
        raise UsageError(f"There is no manifest {path}. Name a CSV or Parquet file.") from error
    except (OSError, pa.ArrowException) as error:
        raise UsageError(
            f"{path} cannot be read as Parquet: {error}. Write it again, or give a CSV file."
        ) from error


def _text(value: Any) -> str:
    if value is None or value != value:  # NaN, as pandas writes an empty cell
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _check_columns(path: Path, names: Iterable[str]) -> None:
    found = list(names)
    wrong = [f"there is no column {name!r}" for name in REQUIRED if name not in found]
    wrong += [f"column {name!r} is not known" for name in found if name not in COLUMNS]
    if wrong:
        raise ManifestError(f"{path}: {'; '.join(wrong)}. The columns are {', '.join(COLUMNS)}.")


def _entry(line: Mapping[str, str], folder: Path) -> tuple[Entry, list[str]]:
    """Turn a line into an entry, with what is wrong with it."""
    cells = {name: (line.get(name) or "").strip() for name in COLUMNS}
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
    )
    return entry, wrong


def _whole(text: str, name: str, wrong: list[str]) -> int:
    if text.isdecimal() and int(text) >= 1:
        return int(text)
    wrong.append(f"{name} {text!r} is not a whole number from 1")
    return 1


def _located(text: str, folder: Path) -> str:
    return text if not text or is_url(text) else str(folder.absolute() / text)


def is_url(path: str) -> bool:
    """Whether a path names a place that fsspec has to fetch from."""
    return "://" in path


def _unusable(entry: Entry, *, landmarks_placed: bool) -> Iterator[str]:
    if not entry.subject:
        yield "no subject"
    if entry.exclude:
        return
    if not entry.path:
        yield "no path, and no reason in column exclude"
    checks: tuple[tuple[str, Callable[[Path], bool], str], ...] = (
        (entry.path, Path.exists, "the images"),
        (entry.landmarks if landmarks_placed else "", Path.is_file, "the landmark file"),
    )
    for path, there, what in checks:
        if path and not is_url(path) and not there(Path(path)):
            yield f"{what} {path} cannot be found"

"""The files of a reading as one set: the old ones or the new ones, never some of each.

A set is written whole into a folder of its own within the target, with the SHA-256 of each file;
renaming that folder commits the new set, and its files are then moved into place. `settle`
precedes every writing and reading, and completes or undoes what a crash interrupted.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping
from itertools import count
from pathlib import Path

from meniscal_measure.errors import InputError, OutputError

MANIFEST = "reading.sha256"
"""Names every file of the set with its SHA-256; `sha256sum --check` reads it."""

_INCOMPLETE = ".incomplete"
"""Holds files that are being written; worth nothing without the others."""

_COMPLETE = ".complete"
"""Holds a whole new set that is being moved into place."""

_EARLIER = "earlier-{number}"
"""Holds a set that was replaced and is kept."""


def write_set(folder: Path, contents: Mapping[str, bytes], *, keep_old: bool = False) -> None:
    """Write files that belong together into a folder, by their names and for their owner alone.

    Files of the same names are replaced; `keep_old` keeps a copy of them in a numbered folder.

    Raises
    ------
    OutputError
        If they cannot be written. The files that were there before are untouched then.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     write_set(Path(name), {"table.csv": b"knee"})
    ...     sorted(path.name for path in Path(name).iterdir())
    ['reading.sha256', 'table.csv']
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        settle(folder)
        blocked = next((name for name in (*contents, MANIFEST) if (folder / name).is_dir()), None)
        if blocked is not None:
            raise IsADirectoryError(None, f"{blocked} is a folder there")
        if keep_old:
            _copy_old(folder, contents)
        (folder / _INCOMPLETE).mkdir(mode=0o700)
        sums = (f"{_sum(content)}  {name}\n" for name, content in contents.items())
        for name, content in {**contents, MANIFEST: "".join(sums).encode()}.items():
            _write(folder / _INCOMPLETE / name, content)
        (folder / _INCOMPLETE).rename(folder / _COMPLETE)
        settle(folder)
    except OSError as error:
        shutil.rmtree(folder / _INCOMPLETE, ignore_errors=True)
        raise OutputError(
            "Cannot write {folder:private}: {reason}. Name a folder you may write to.",
            folder=str(folder),
            reason=error.strerror or str(error),
        ) from error


def settle(folder: Path) -> None:
    """Complete a set whose writing was interrupted, or discard it if it was not whole yet."""
    if (folder / _INCOMPLETE).exists():
        shutil.rmtree(folder / _INCOMPLETE)
    complete = folder / _COMPLETE
    if complete.exists():
        for path in sorted(complete.iterdir(), key=lambda path: path.name == MANIFEST):
            path.replace(folder / path.name)
        complete.rmdir()


def check_set(folder: Path, name: str) -> None:
    """Refuse a file of a set in which another file does not belong to it.

    Files that were taken out of the set, and files without a manifest, are not asked for.

    Raises
    ------
    InputError
        With the file that differs from what was written with the others.
    """
    try:
        settle(folder)
        lines = (folder / MANIFEST).read_text("utf-8").splitlines()
    except FileNotFoundError:
        return
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            "The writing of {folder:private} was interrupted and cannot be finished:"
            " {reason:private}.",
            folder=str(folder),
            reason=str(error),
        ) from error
    sums = dict(line.split("  ", 1)[::-1] for line in lines if "  " in line)
    if name not in sums:
        return
    for path in (folder / one for one in sums):
        if path.is_file() and _sum(path.read_bytes()) != sums[path.name]:
            raise InputError(
                "{file:private} is not what was written with the other files of its folder: it was"
                " changed or replaced since. Measure again, or take the folder back from a backup.",
                file=str(path),
            )


def _copy_old(folder: Path, names: Mapping[str, bytes]) -> None:
    incomplete = folder / _INCOMPLETE
    incomplete.mkdir(mode=0o700)
    for path in (folder / name for name in (*names, MANIFEST)):
        if path.is_file():
            _write(incomplete / path.name, path.read_bytes())
    free = (folder / _EARLIER.format(number=number) for number in count(1))
    incomplete.rename(next(place for place in free if not place.exists()))


def _write(path: Path, content: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _sum(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()

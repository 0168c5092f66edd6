"""Writing files so that nobody ever reads a half-written one."""

from __future__ import annotations

import csv
import errno
import io
import os
import platform
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache, partial
from itertools import chain, islice
from pathlib import Path
from typing import BinaryIO

from meniscal_measure.errors import OutputError, UsageError

_OURS = f".part-{platform.node()}-"
"""Within the name of a file that is being written; the number of the process that writes follows.
Another machine may write into the same folder, and each knows only its own processes."""

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""What a cell begins with that a spreadsheet carries out instead of showing it (OWASP, CSV
Injection)."""

SUSPECT_STARTS = frozenset((*FORMULA_STARTS, "'"))
"""What a text begins with that `safe_cell` may change."""

ROWS_OF_PIECE = 10_000
"""Rows of a table that are laid out at a time."""

Progress = Callable[[int, int], None]
"""Called after each file, study or knee with the number done and their total."""


@contextmanager
def written_whole(path: Path, *, owner_only: bool = False) -> Iterator[BinaryIO]:
    """Open a file beside `path` for writing and rename it into place when all went well.

    With `owner_only` nobody else may read it, nor a folder made for it.

    Remains of a process that was killed are removed by the next one that writes there.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. Nothing is left behind.
    """
    try:
        path.parent.mkdir(mode=0o700 if owner_only else 0o777, parents=True, exist_ok=True)
        _tidy(path.parent)
        handle, name = tempfile.mkstemp(
            dir=path.parent, prefix=f".{path.name}.", suffix=f"{_OURS}{os.getpid()}"
        )
    except OSError as error:
        raise _refused(path, error) from error
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
        if not owner_only:  # which is how it was made
            beside.chmod(0o666 & ~_umask())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise _refused(path, error) from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


@lru_cache(maxsize=256)  # looking once is enough: what this process leaves, it removes
def _tidy(folder: Path) -> None:
    """Remove what processes of this machine were writing in a folder when they were killed."""
    for entry in [*os.scandir(folder)]:
        if entry.name.startswith(".") and _OURS in entry.name:
            writer = entry.name.rpartition(_OURS)[2]
            if writer.isascii() and writer.isdecimal() and not _runs(int(writer)):
                Path(entry.path).unlink(missing_ok=True)


def _runs(process: int) -> bool:
    if os.name == "nt":  # where asking so would end it
        return True
    try:
        os.kill(process, 0)  # which asks only
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def write_text(path: Path, text: str) -> None:
    r"""Write a text file in UTF-8, whole or not at all, its line ends as they are.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. Nothing is left behind.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_text(Path(folder) / "new" / "a.txt", "knee\n")
    ...     (Path(folder) / "new" / "a.txt").read_text()
    'knee\n'
    """
    with written_whole(path) as stream:
        stream.write(text.encode("utf-8"))


def ordinary(path: Path) -> Path:
    """Give a path back unless it leads to a pipe, a socket or a device, which may never end.

    Raises
    ------
    OSError
        If it does.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise OSError(errno.EINVAL, "it is a pipe or a device, not a file")
    return path


def read_bytes(path: Path, remedy: str, *, limit: int = -1) -> bytes:
    """Read a file that the user named, at most `limit` bytes of it.

    Raises
    ------
    UsageError
        If it cannot be read, with what to do instead.

    Examples
    --------
    >>> read_bytes(sample / "landmarks.json", "Name another file.", limit=1)
    b'{'
    """
    try:
        with ordinary(path).open("rb") as stream:
            return stream.read(limit)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise UsageError(
            "{file:private} cannot be read: {reason}. {remedy}",
            file=str(path),
            reason=getattr(error, "strerror", None) or "it is not a file name",
            remedy=remedy,
        ) from error


def csv_text(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    r"""Lay a table out as comma-separated text (RFC 4180, lines ended by a line feed alone).

    Examples
    --------
    >>> csv_text(["knee", "remark"], [["K1", 'says "no", twice'], ["K2", None]])
    'knee,remark\nK1,"says ""no"", twice"\nK2,\n'
    """
    return "".join(csv_pieces(columns, rows))


def csv_pieces(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> Iterator[str]:
    r"""Lay a table out as `csv_text` does, some rows at a time, so that any number fits.

    Examples
    --------
    >>> list(csv_pieces(["knee"], [["K1"], ["K2"]]))
    ['knee\nK1\nK2\n']
    """
    lines = map(partial(map, safe_cell), chain([columns], rows))
    while block := list(islice(lines, ROWS_OF_PIECE)):
        stream = io.StringIO()
        csv.writer(stream, lineterminator="\n").writerows(block)
        yield stream.getvalue()


def safe_cell(cell: object) -> object:
    """Put an apostrophe before a text that a spreadsheet would take for a formula.

    Every table that is written as CSV passes its cells through here. Numbers stay as they are.

    Examples
    --------
    >>> safe_cell("=HYPERLINK(A1)"), safe_cell("-12.5"), safe_cell(-0.3), safe_cell("S-1")
    ("'=HYPERLINK(A1)", '-12.5', -0.3, 'S-1')
    """
    if isinstance(cell, str) and _looks_like_formula(cell) and not _is_number(cell):
        return f"'{cell}"
    return cell


def cell_text(cell: str) -> str:
    """Take the text of a cell back from what `safe_cell` wrote.

    Examples
    --------
    >>> cell_text("'=x"), cell_text("'tis")
    ('=x', "'tis")
    """
    return cell[1:] if cell.startswith("'") and _looks_like_formula(cell) else cell


def _looks_like_formula(text: str) -> bool:
    """Whether a spreadsheet takes the text for a formula, apostrophes before it left aside."""
    return text.lstrip("'").startswith(FORMULA_STARTS)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _refused(path: Path, error: OSError) -> OutputError:
    return OutputError(
        "Cannot write {path:private}: {reason}. Name a folder you may write to.",
        path=str(path),
        reason=error.strerror or str(error),
    )

"""Tables as users supply them: commas, semicolons or tabs, with a byte order mark, as Parquet."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from meniscal_measure.cohort.optional_packages import pyarrow
from meniscal_measure.errors import UsageError
from meniscal_measure.files import cell_text, ordinary

PARQUET_SUFFIXES = (".parquet", ".pq")
"""Endings of a table that is read as Parquet; any other is text."""

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "vertical bars"}

MARKS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}
"""Byte order marks, and the encoding of a file that begins with one."""

MOST_OF_LINE = 1_000_000
"""Longest line that is read, in characters; no more of a file is ever held in memory."""

DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
"""A number as written where semicolons or tabs separate the cells."""


@dataclass(frozen=True)
class InputTable:
    """A table whose rows can be read once."""

    path: Path
    columns: tuple[str, ...]
    """In lower case, without surrounding blanks."""
    how: str
    """How its cells are separated, in words."""
    rows: Iterator[tuple[int, dict[str, str]]] = field(repr=False)
    """Number of the line, and its cells by column; cells beyond the last column under ''."""


def read_table(path: Path) -> InputTable:
    """Open a table, CSV in any of its variants or Parquet.

    Raises
    ------
    UsageError
        If it cannot be read, or Parquet is not supported here.
    """
    table = _parquet(path) if path.suffix.lower() in PARQUET_SUFFIXES else _text(path)
    repeated = sorted({name for name in table.columns if name and table.columns.count(name) > 1})
    if repeated:
        raise UsageError(
            "{path:private} has several columns called {names:private}, so that it is not known"
            " which one counts. Keep one of each.",
            path=str(path),
            names=", ".join(repeated),
        )
    return table


def _text(path: Path) -> InputTable:
    with _explained(path):
        with ordinary(path).open("rb") as binary:
            mark = binary.read(3)
        encoding = next((name for start, name in MARKS.items() if mark.startswith(start)), "utf-8")
        with path.open(encoding=encoding) as stream:
            header = next(_lines(stream), "")
        # The one that gives the header the most cells, outside quotation marks.
        separator = max(SEPARATORS, key=re.sub(r'"[^"]*"', "", header).count)
        names = next(csv.reader([header], delimiter=separator), [])
    columns = tuple(cell_text(name).strip().lower() for name in names)
    how = f"separated by {SEPARATORS[separator]}"
    return InputTable(path, columns, how, _text_rows(path, encoding, separator, columns))


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise UsageError(
            "{path:private} cannot be read: {reason}. Name a CSV file.",
            path=str(path),
            reason=error.strerror or "unknown",
        ) from error
    except (UnicodeError, csv.Error) as error:
        raise UsageError(
            "{path:private} is not a CSV table in UTF-8 or UTF-16: {reason:private}. Save it as"
            " one.",
            path=str(path),
            reason=str(error),
        ) from error


def _text_rows(
    path: Path, encoding: str, separator: str, columns: tuple[str, ...]
) -> Iterator[tuple[int, dict[str, str]]]:
    with _explained(path), path.open(encoding=encoding, newline="") as stream:
        reader = csv.reader(_lines(stream), delimiter=separator)
        next(reader, None)
        for cells in reader:
            if any(cells):
                values = [_cell(cell, decimal_comma=separator != ",") for cell in cells]
                row = dict(zip(columns, values, strict=False))
                row[""] = "".join(values[len(columns) :])
                yield reader.line_num, row


def as_name(text: str) -> str:
    r"""Write a name in the one way of all that look alike: composed, without what nobody sees.

    Composed is Unicode's form NFC (UAX #15); format characters (category Cf) are left out.

    Examples
    --------
    >>> as_name("Ame\u0301lie\u200b") == "Am\u00e9lie"
    True
    """
    if text.isascii():
        return text
    composed = unicodedata.normalize("NFC", text)
    return "".join(letter for letter in composed if unicodedata.category(letter) != "Cf")


def _lines(stream: TextIO) -> Iterator[str]:
    while line := stream.readline(MOST_OF_LINE):
        if len(line) == MOST_OF_LINE:
            raise csv.Error(f"one of its lines is longer than {MOST_OF_LINE} characters")
        yield line


def _cell(text: str, *, decimal_comma: bool) -> str:
    cell = cell_text(text).strip()
    if decimal_comma and DECIMAL_COMMA.fullmatch(cell):
        return cell.replace(",", ".")
    return cell


def _parquet(path: Path) -> InputTable:
    pa, parquet = pyarrow("Reading Parquet", " Or give the table as CSV.")
    try:
        with parquet.ParquetFile(path) as file:
            columns = tuple(name.strip().lower() for name in file.schema_arrow.names)
    except FileNotFoundError as error:
        raise UsageError(
            "There is no table {path:private}. Name a CSV or Parquet file.", path=str(path)
        ) from error
    except (OSError, pa.ArrowException) as error:
        raise UsageError(
            "{path:private} cannot be read as Parquet: {reason:private}. Write it again, or give"
            " a CSV file.",
            path=str(path),
            reason=str(error),
        ) from error

    def rows() -> Iterator[tuple[int, dict[str, str]]]:
        number = 0
        with parquet.ParquetFile(path) as file:
            for batch in file.iter_batches():
                for row in batch.to_pylist():
                    number += 1
                    cells = map(_parquet_cell, row.values())
                    yield number, dict(zip(columns, cells, strict=True))

    return InputTable(path, columns, "as Parquet", rows())


def _parquet_cell(value: Any) -> str:
    if value is None or value != value:  # NaN, as pandas writes an empty cell
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)

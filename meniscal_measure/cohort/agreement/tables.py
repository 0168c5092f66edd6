"""Results as tables: comma-separated for a program, aligned text for a reader."""

from __future__ import annotations

import math
from collections.abc import Iterable

from meniscal_measure.cohort.agreement.estimates import COUNT, LEVEL, Estimate
from meniscal_measure.files import csv_text

COLUMNS = ("name", "value", "low", "high", "unit", "source")
"""Columns of the comma-separated form, one per field of an estimate."""

SMALLEST_PLAIN = 5e-5
"""Numbers smaller than this would be printed as nought by four decimals."""


def as_csv(estimates: Iterable[Estimate]) -> str:
    """Write estimates as comma-separated text with a header, numbers in full.

    Examples
    --------
    >>> print(as_csv([Estimate("SEM", 0.25, 0.2, 0.3, "mm", "Weir 2005")]), end="")
    name,value,low,high,unit,source
    SEM,0.25,0.2,0.3,mm,Weir 2005
    """
    rows = ([getattr(estimate, column) for column in COLUMNS] for estimate in estimates)
    return csv_text(COLUMNS, (["" if _is_absent(cell) else cell for cell in row] for row in rows))


def as_text(estimates: Iterable[Estimate], *, level: float = LEVEL) -> str:
    """Lay estimates out for reading, each with the number of its formula's source below.

    Examples
    --------
    >>> print(as_text([Estimate("SEM", 0.25, 0.2, 0.3, "mm", "Weir 2005")]))
          value     95 % interval  unit
    SEM  0.2500  0.2000 to 0.3000  mm [1]
    <BLANKLINE>
    [1] Weir 2005
    """
    lines = list(estimates)
    sources = list(dict.fromkeys(line.source for line in lines if line.source))
    head = ("", "value", f"{100 * level:g} % interval", "unit")
    rows = [head, *(_cells(line, sources) for line in lines)]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    body = [_aligned(row, widths) for row in rows]
    notes = [f"[{number}] {source}" for number, source in enumerate(sources, 1)]
    return "\n".join(body + ([""] if notes else []) + notes)


def number_text(value: float) -> str:
    """Write a number with four significant digits, and what cannot be known as a dash.

    Examples
    --------
    >>> number_text(0.123456), number_text(12345.6), number_text(float("nan"))
    ('0.1235', '12346', '–')
    >>> number_text(0.00003)
    '3.0e-05'
    """
    if math.isnan(value):
        return "–"
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    if abs(value) < SMALLEST_PLAIN:
        return f"{value:.1e}"
    decimals = max(0, 3 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(decimals, 4)}f}"


def value_text(estimate: Estimate) -> str:
    """Write the value of an estimate; a count of knees is a whole number."""
    return f"{estimate.value:.0f}" if estimate.unit == COUNT else number_text(estimate.value)


def interval_text(estimate: Estimate) -> str:
    """Write the interval of an estimate, or nothing where it has none."""
    if estimate.low is None or estimate.high is None:
        return ""
    return f"{number_text(estimate.low)} to {number_text(estimate.high)}"


def _cells(line: Estimate, sources: list[str]) -> tuple[str, str, str, str]:
    mark = f"[{sources.index(line.source) + 1}]" if line.source else ""
    return (
        line.name,
        value_text(line),
        interval_text(line),
        f"{line.unit} {mark}".strip(),
    )


def _aligned(row: tuple[str, str, str, str], widths: list[int]) -> str:
    name, value, interval, rest = row
    texts = (name.ljust(widths[0]), value.rjust(widths[1]), interval.rjust(widths[2]), rest)
    return "  ".join(texts).rstrip()


def _is_absent(cell: object) -> bool:
    return cell is None or (isinstance(cell, float) and math.isnan(cell))

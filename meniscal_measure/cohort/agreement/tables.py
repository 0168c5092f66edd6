"""Results as tables: comma-separated for a program, aligned text for a reader."""

from __future__ import annotations

import math
from collections.abc import Iterable

from meniscal_measure.cohort.agreement.estimates import COUNT, LEVEL, Estimate
from meniscal_measure.files import csv_text

COLUMNS = ("name", "value", "low", "high", "unit", "source")
"""Columns of the comma-separated form, one per field of an estimate."""

DECIMALS = {"mm": 2, "%": 1, COUNT: 0}
"""Decimals of a number by its unit; a bare one has three. The comma-separated form has them all."""

LEAST_SHOWN = 0.001
"""A smaller positive number, such as a p value, is written as less than this."""


def as_csv(estimates: Iterable[Estimate]) -> str:
    """Write estimates as comma-separated text with a header, numbers in full.

    Examples
    --------
    >>> print(as_csv([Estimate("SEM", 0.25, 0.2, 0.3, "mm", "Weir 2005")]), end="")
    name,value,low,high,unit,source
    SEM,0.25,0.2,0.3,mm,Weir 2005
    """
    rows = ([getattr(estimate, column) for column in COLUMNS] for estimate in estimates)
    # NaN alone differs from itself.
    return csv_text(COLUMNS, (["" if c is None or c != c else c for c in row] for row in rows))


def as_text(estimates: Iterable[Estimate]) -> str:
    """Lay estimates out for reading, each with the number of its formula's source below.

    Examples
    --------
    >>> print(as_text([Estimate("SEM", 0.25, 0.2, 0.3, "mm", "Weir 2005")]))
         value  95 % interval  unit
    SEM   0.25   0.20 to 0.30  mm [1]
    <BLANKLINE>
    [1] Weir 2005
    """
    lines = list(estimates)
    sources = list(dict.fromkeys(line.source for line in lines if line.source))
    head = ("", "value", f"{100 * LEVEL:g} % interval", "unit")
    rows = [head, *(_cells(line, sources) for line in lines)]
    wide, middle, narrow = (max(len(row[column]) for row in rows) for column in range(3))
    body = [
        f"{name:<{wide}}  {value:>{middle}}  {interval:>{narrow}}  {rest}".rstrip()
        for name, value, interval, rest in rows
    ]
    notes = [f"[{number}] {source}" for number, source in enumerate(sources, 1)]
    return "\n".join(body + ([""] if notes else []) + notes)


def number_text(value: float, unit: str = "") -> str:
    """Write a number with the decimals that suit its unit; NaN as a dash.

    Examples
    --------
    >>> number_text(2.8081, "mm"), number_text(0.92831), number_text(float("nan"))
    ('2.81', '0.928', '–')
    >>> number_text(0.00003), number_text(-0.00003), number_text(61.0, "knees")
    ('< 0.001', '0.000', '61')
    """
    if math.isnan(value):
        return "–"
    if unit not in DECIMALS and 0 < value < LEAST_SHOWN:
        return f"< {LEAST_SHOWN:g}"
    text = f"{value:.{DECIMALS.get(unit, 3)}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def interval_text(estimate: Estimate) -> str:
    """Write the interval of an estimate, or nothing where it has none.

    Examples
    --------
    >>> interval_text(Estimate("SEM", 0.25, 0.2, 0.3, "mm"))
    '0.20 to 0.30'
    """
    if estimate.low is None or estimate.high is None:
        return ""
    low, high = (number_text(end, estimate.unit) for end in (estimate.low, estimate.high))
    return f"{low} to {high}"


def _cells(line: Estimate, sources: list[str]) -> tuple[str, str, str, str]:
    mark = f"[{sources.index(line.source) + 1}]" if line.source else ""
    return (
        line.name,
        number_text(line.value, line.unit),
        interval_text(line),
        f"{line.unit} {mark}".strip(),
    )

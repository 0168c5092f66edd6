"""The reading as a table for the terminal, readable without colour."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from meniscal_measure.caliper.reading import CompartmentReading, Reading
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report import words

EXTRUSION = "extrusion ± U95"
"""Label of the row that is never empty."""

NOTHING = "-"
"""Shown where there is no value."""


def reading_table(reading: Reading) -> RenderableType:
    """Lay a reading out for `rich.console.Console.print`.

    Flags and decisions are words; colour and weight only repeat them.
    """
    parts: list[RenderableType] = [
        Text(f"Meniscal extrusion: {words.side_words(reading)}", style="bold"),
        Text(words.slice_words(reading)),
        _values(reading),
    ]
    if reading.neighbours:
        parts.append(_along_slices(reading))
    parts.append(Text(f"Conventions: {words.convention_words(reading)}"))
    parts += [
        Text(
            f"{found.severity.capitalize()}: {found.words(slice_name=reading.slice_number)}",
            style="yellow",
        )
        for found in reading.warnings
    ]
    parts += [Text(words.status_words(reading), style="bold"), Text(NOTICE)]
    return Group(*parts)


def _values(reading: Reading) -> Table:
    table = Table(show_edge=False, pad_edge=False)
    table.add_column("measured slice")
    for name in reading.named_compartments:
        table.add_column(name.words)
    for label, first, second in value_rows(reading):
        bold = "bold" if label in (EXTRUSION, "flag") else ""
        table.add_row(label, Text(first), Text(second), style=bold)
    return table


def value_rows(reading: Reading) -> list[tuple[str, str, str]]:
    """Label every value of the measured slice, with its words for both compartments.

    Rows that say nothing of either compartment are left out.

    Examples
    --------
    >>> value_rows(reading)[0]
    ('extrusion ± U95', '4.50 ± 0.59 mm', '1.00 ± 0.59 mm')
    """
    found = [reading.measured.compartments.get(name) for name in reading.named_compartments]
    first, second = ({} if one is None else _compartment_words(one, reading) for one in found)
    rows = []
    for label in first or second:
        missing = words.NOT_MEASURED if label == EXTRUSION else NOTHING
        row = label, first.get(label, missing), second.get(label, missing)
        if not row[1] == row[2] == NOTHING:
            rows.append(row)
    return rows


def _compartment_words(measured: CompartmentReading, reading: Reading) -> dict[str, str]:
    extrusion, conventions = measured.extrusion, reading.conventions
    covered = measured.coverage is not None
    return {
        EXTRUSION: words.value_words(extrusion),
        "at the threshold": words.threshold_remark(extrusion, conventions) or NOTHING,
        "95 % interval": words.interval_words(extrusion),
        f"P({words.threshold_words(conventions)})": words.probability_words(extrusion),
        "flag": words.flag_words(extrusion, conventions),
        "decision": words.decision_words(extrusion, conventions),
        "grade (0 to 3)": str(extrusion.grade),
        "body width": words.length_words(measured.body_width_mm),
        "overlap": words.length_words(measured.overlap_mm),
        "relative extrusion": words.fraction_words(measured.relative_extrusion),
        "coverage": words.fraction_words(measured.coverage),
        "coverage over": measured.coverage_width.replace("_", " ") if covered else NOTHING,
        "extrusion / plateau width": words.fraction_words(measured.extrusion_over_plateau_width),
    }


def _along_slices(reading: Reading) -> Table:
    table = Table(show_edge=False, pad_edge=False)
    table.add_column("slice")
    table.add_column("mm from it", justify="right")
    shown = reading.named_compartments
    for name in shown:
        table.add_column(f"{name.words}, mm")
    parts = sorted((reading.measured, *reading.neighbours), key=lambda part: part.position_mm)
    for part in parts:
        mark = "measured " if part is reading.measured else ""
        cells = (part.compartments.get(name) for name in shown)
        table.add_row(
            f"{mark}{words.short_slice_words(reading, part.slice_index)}",
            f"{part.position_mm - reading.measured.position_mm:+.1f}",
            *(_short(cell) for cell in cells),
        )
    return table


def _short(measured: CompartmentReading | None) -> str:
    if measured is None:
        return words.NOT_MEASURED
    flag = "FLAGGED" if measured.extrusion.flag else "not flagged"
    return f"{words.value_words(measured.extrusion).removesuffix(' mm')} {flag}"

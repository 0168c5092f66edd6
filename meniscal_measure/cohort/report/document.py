"""The building blocks of a report, free of how they are shown."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from meniscal_measure.cohort.agreement.estimates import LEVEL, Estimate
from meniscal_measure.cohort.agreement.plots import Draw
from meniscal_measure.cohort.agreement.tables import interval_text, number_text


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 is the title."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True)
class Table:
    """A table of texts; `notes` stand below it.

    The report shows the first `most` rows only; the file of the table holds them all.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    most: int | None = None

    @property
    def shown(self) -> tuple[tuple[str, ...], ...]:
        """The rows that the report shows."""
        return self.rows[: self.most]


@dataclass(frozen=True)
class Plot:
    """A plot with its caption, which says in words what it shows."""

    caption: str
    draw: Draw


@dataclass(frozen=True)
class Results:
    """Estimates with their intervals; `notes` stand below them."""

    caption: str
    estimates: tuple[Estimate, ...]
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> Table:
        """The estimates as texts, each with the number of its formula's source below."""
        sources = list(dict.fromkeys(line.source for line in self.estimates if line.source))
        numbered = tuple(f"[{number}] {source}" for number, source in enumerate(sources, 1))
        rows = tuple(
            (
                line.name,
                number_text(line.value, line.unit),
                interval_text(line),
                line.unit,
                f"[{sources.index(line.source) + 1}]" if line.source else "",
            )
            for line in self.estimates
        )
        header = ("", "Value", f"{100 * LEVEL:g} % interval", "Unit", "Source")
        return Table(self.caption, header, rows, (*numbered, *self.notes))


Block = Heading | Paragraph | Table | Results | Plot


def listing(
    caption: str, header: Sequence[str], rows: Sequence[Sequence[str]], *, most: int
) -> Table:
    """Make a table of which at most `most` rows are shown, and say how many are not."""
    notes = () if len(rows) <= most else (f"{len(rows) - most} more are in the table's file.",)
    return Table(caption, tuple(header), tuple(tuple(row) for row in rows), notes, most)


def is_number(cell: str) -> bool:
    """Whether a cell holds a number, an interval or nothing, and so is set to the right."""
    return re.fullmatch(r"(< |[-+–])?[\d.]*( to -?[\d.]+)?", cell) is not None

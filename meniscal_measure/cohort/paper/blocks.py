"""The building blocks of a report, whatever form they are shown in."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

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
    once: bool = False
    """Whether it holds for every compartment, and is said for the first only."""


@dataclass(frozen=True)
class Table:
    """A table of texts; `notes` stand below it."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    in_file_only: bool = False
    """Whether it is only written as a file, not shown."""

    @property
    def right(self) -> tuple[bool, ...]:
        """Whether each column holds numbers only, and so is set to the right."""
        columns = [tuple(row[n] for row in self.rows) for n in range(len(self.header))]
        return tuple(bool(cells) and all(map(is_number, cells)) for cells in columns)


@dataclass(frozen=True)
class Listing:
    """A list of single knees or readings: written as a file, row by row, and not shown."""

    caption: str
    header: tuple[str, ...]
    rows: Callable[[], Iterable[Sequence[object]]]


@dataclass(frozen=True)
class Plot:
    """A plot with its caption, which says in words what it shows."""

    caption: str
    draw: Draw
    in_file_only: bool = False


@dataclass(frozen=True)
class Results:
    """Estimates with their intervals; `notes` stand below them."""

    caption: str
    estimates: tuple[Estimate, ...]
    notes: tuple[str, ...] = ()
    in_file_only: bool = False

    def table(self, sources: Sequence[str]) -> Table:
        """Lay the estimates out as texts, each with the number of its formula's source."""
        rows = tuple(
            (
                line.name,
                number_text(line.value, line.unit),
                interval_text(line),
                line.unit,
                str(sources.index(line.source) + 1) if line.source in sources else "",
            )
            for line in self.estimates
        )
        header = ("", "Value", f"{100 * LEVEL:g} % interval", "Unit", "Reference")
        return Table(self.caption, header, rows, self.notes, self.in_file_only)


@dataclass(frozen=True)
class References:
    """Where the sources of the formulas are listed, numbered from 1, once the report is shown."""

    sources: tuple[str, ...] = ()


Block = Heading | Paragraph | Table | Listing | Results | Plot | References


def sources_of(blocks: Sequence[Block]) -> tuple[str, ...]:
    """List the sources of all formulas that are shown, in the order in which they first appear."""
    lines = [line for block in blocks if isinstance(block, Results) and not block.in_file_only
             for line in block.estimates]  # fmt: skip
    return tuple(dict.fromkeys(line.source for line in lines if line.source))


def in_files(blocks: Iterable[Block]) -> Iterator[Block]:
    """Put what another compartment has to show into files; show only what it cannot report.

    Examples
    --------
    >>> list(in_files([Heading("Agreement"), Paragraph("Not reported.")]))
    [Paragraph(text='Not reported.', once=False)]
    """
    for block in blocks:
        if isinstance(block, Table | Results | Plot):
            yield replace(block, in_file_only=True)
        elif not (isinstance(block, Heading) or (isinstance(block, Paragraph) and block.once)):
            yield block


def shown(blocks: Sequence[Block]) -> list[Heading | Paragraph | Table | Plot | References]:
    """Take what the report shows, results as tables."""
    sources = sources_of(blocks)
    found: list[Heading | Paragraph | Table | Plot | References] = []
    for block in blocks:
        if isinstance(block, Heading | Paragraph):
            found.append(block)
        elif isinstance(block, References):
            if sources:
                found += [Heading("References of the formulas"), References(sources)]
        elif not isinstance(block, Listing) and not block.in_file_only:
            found.append(block.table(sources) if isinstance(block, Results) else block)
    return found


def is_number(cell: str) -> bool:
    """Whether a cell holds a number, an interval or nothing, and so is set to the right.

    Examples
    --------
    >>> is_number("3.2"), is_number("n/a")
    (True, False)
    """
    return re.fullmatch(r"(< |[-+–])?[\d.]*( to -?[\d.]+)?", cell) is not None

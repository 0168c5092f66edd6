"""A report as a PDF of A4 pages, with vector plots and text that can be searched."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from meniscal_measure.cohort.agreement.plots import INK, paper_style
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Results,
    Table,
    is_number,
)
from meniscal_measure.cohort.report.typesetting import (
    BODY,
    BOLD,
    HEADINGS,
    SMALL,
    Style,
    column_widths,
    wrapped,
)

PAGE_IN = (8.27, 11.69)
"""A4, inches."""

MARGIN_IN = 0.8
"""White on every side of a page; the page's number stands in it."""

ROOM_IN = PAGE_IN[0] - 2 * MARGIN_IN
"""Width of the text."""

PLOT_IN = (4.2, 2.6)
"""Axes of a plot, its labels outside."""

ABOVE_PLOT_IN = 0.35
BELOW_PLOT_IN = 0.5
"""Room for the title of a plot and for the labels of its axis."""

GAP_IN = 0.14
"""Between the columns of a table, and after a block."""

CELL_IN = 0.03
"""White above and below the text of a table's cell."""

WHOLE_ROWS = 16
"""A table of no more rows is not parted between pages."""

Drawing = Callable[[Figure, float], None]
"""Draws on a page, from a height in inches above its foot downwards."""


@dataclass(frozen=True)
class Piece:
    """Something that is not parted between pages.

    `with_next` keeps it off the foot of a page without what follows; `again` is drawn before it
    where it begins a page, as the header of a table that goes on.
    """

    height_in: float
    draw: Drawing
    with_next: bool = False
    again: Piece | None = None


def to_pdf(title: str, blocks: Sequence[Block]) -> bytes:
    """Write a report as PDF, the same bytes each time."""
    stream = io.BytesIO()
    metadata = {"Title": title, "CreationDate": None}
    with paper_style(), PdfPages(stream, metadata=metadata) as pages:
        for number, page in enumerate(_pages(blocks), start=1):
            foot = f"{title}, page {number}"
            page.text(*_share(MARGIN_IN, 0.45), foot, size=SMALL.size_pt, color=INK)
            pages.savefig(page)
    return stream.getvalue()


def _pages(blocks: Sequence[Block]) -> Iterator[Figure]:
    """Lay pieces out from the top of a page to its foot, then on the next."""
    pieces = [piece for block in blocks for piece in _pieces(block)]
    page, top = Figure(figsize=PAGE_IN), PAGE_IN[1] - MARGIN_IN
    for place, piece in enumerate(pieces):
        if top - _needed(pieces, place) < MARGIN_IN:
            yield page
            page, top = Figure(figsize=PAGE_IN), PAGE_IN[1] - MARGIN_IN
            if piece.again is not None:
                piece.again.draw(page, top)
                top -= piece.again.height_in
        piece.draw(page, top)
        top -= piece.height_in
    yield page


def _needed(pieces: Sequence[Piece], place: int) -> float:
    """Height of a piece with all that has to follow it on the same page."""
    height_in = pieces[place].height_in
    while pieces[place].with_next and place + 1 < len(pieces):
        place += 1
        height_in += pieces[place].height_in
    return height_in


def _pieces(block: Block) -> Iterator[Piece]:
    match block:
        case Heading(text, level):
            yield _space(GAP_IN if level > 1 else 0.0, with_next=True)
            yield _text(text, HEADINGS[level], with_next=True)
            yield _space(GAP_IN / 2, with_next=True)
        case Paragraph(text):
            yield _text(text, BODY)
            yield _space(GAP_IN)
        case Plot():
            yield Piece(ABOVE_PLOT_IN + PLOT_IN[1] + BELOW_PLOT_IN, partial(_draw_plot, block.draw),
                        with_next=True)  # fmt: skip
            yield _text(block.caption, BODY)
            yield _space(2 * GAP_IN)
        case Table():
            yield from _table(block)
        case Results():
            yield from _table(block.table)


def _space(height_in: float, *, with_next: bool = False) -> Piece:
    return Piece(height_in, lambda *_: None, with_next)


def _text(text: str, style: Style, *, with_next: bool = False) -> Piece:
    lines = wrapped(text, style, ROOM_IN)

    def draw(page: Figure, top: float) -> None:
        for number, line in enumerate(lines):
            _write(page, line, style, MARGIN_IN, top - number * style.line_in)

    return Piece(len(lines) * style.line_in, draw, with_next)


def _draw_plot(draw: Callable[..., None], page: Figure, top: float) -> None:
    bottom = top - ABOVE_PLOT_IN - PLOT_IN[1]
    draw(page.add_axes((*_share(MARGIN_IN + 0.6, bottom), *_share(*PLOT_IN))))


def _table(table: Table) -> Iterator[Piece]:
    rows = table.shown
    widths = column_widths((table.header, *rows), ROOM_IN, GAP_IN)
    right = [bool(rows) and all(is_number(row[n]) for row in rows) for n in range(len(widths))]
    whole = len(rows) <= WHOLE_ROWS
    header = _row(table.header, widths, right, style=BOLD)
    yield _text(table.caption, BOLD, with_next=True)
    yield replace(header, with_next=True)
    for row in rows:
        yield replace(_row(row, widths, right, style=BODY), with_next=whole, again=header)
    yield _space(GAP_IN / 3, with_next=whole)
    for note in table.notes:
        yield _text(note, SMALL, with_next=whole and note is not table.notes[-1])
    yield _space(1.5 * GAP_IN)


def _row(
    cells: Sequence[str], widths: Sequence[float], right: Sequence[bool], *, style: Style
) -> Piece:
    """Set the cells of a row side by side with a fine line below."""
    parts = [wrapped(cell, style, width) for cell, width in zip(cells, widths, strict=True)]
    height_in = max(map(len, parts)) * style.line_in + 2 * CELL_IN

    def draw(page: Figure, top: float) -> None:
        left = MARGIN_IN
        for lines, width, is_right in zip(parts, widths, right, strict=True):
            for number, line in enumerate(lines):
                place = left + width if is_right else left
                align = "right" if is_right else "left"
                down = CELL_IN + number * style.line_in
                _write(page, line, style, place, top - down, align=align)
            left += width + GAP_IN
        ends = [_share(x, top - height_in) for x in (MARGIN_IN, left - GAP_IN)]
        thick = 0.7 if style is BOLD else 0.2
        page.add_artist(Line2D(*zip(*ends, strict=True), color=INK, linewidth=thick))

    return Piece(height_in, draw)


def _write(
    page: Figure, line: str, style: Style, across_in: float, top: float, *, align: str = "left"
) -> None:
    page.text(
        *_share(across_in, top),
        line,
        va="top",
        ha=align,
        size=style.size_pt,
        weight=style.weight,
        color=INK,
        parse_math=False,
    )


def _share(across_in: float, up_in: float) -> tuple[float, float]:
    """Turn inches into shares of the page."""
    return across_in / PAGE_IN[0], up_in / PAGE_IN[1]

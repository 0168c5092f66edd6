"""A report as a PDF of A4 pages, with vector plots."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import zip_longest

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from meniscal_measure.cohort.agreement.plots import paper_style
from meniscal_measure.cohort.report.document import Block, Heading, Paragraph, Plot, Results, Table

PAGE_IN = (8.27, 11.69)
"""A4, inches."""

MARGIN_IN = 0.7
FONT_SIZE = 7.5
LINE_IN = 1.3 * FONT_SIZE / 72
LINE_WIDTH = 108
"""Characters of this font between the margins."""

PLOT_IN = (4.2, 2.6)
"""Axes of a plot, its labels outside."""

AROUND_PLOT_IN = 0.6
"""Room for labels and caption, above and below each."""

LEAST_LINES = 6
"""Text is not begun so near the foot of a page that fewer lines of it fit."""

GAP = "  "
"""Between the columns of a table."""


def to_pdf(title: str, blocks: Sequence[Block]) -> bytes:
    """Write a report as PDF, the same bytes each time."""
    stream = io.BytesIO()
    metadata = {"Title": title, "CreationDate": None}
    with paper_style(), PdfPages(stream, metadata=metadata) as pages:
        for page in _pages(blocks):
            pages.savefig(page)
    return stream.getvalue()


def _pages(blocks: Sequence[Block]) -> Iterator[Figure]:
    """Lay blocks out from the top of a page to its foot, then on the next."""
    page, top = Figure(figsize=PAGE_IN), PAGE_IN[1] - MARGIN_IN
    for draw, height in _pieces(blocks):
        if top - height < MARGIN_IN:
            yield page
            page, top = Figure(figsize=PAGE_IN), PAGE_IN[1] - MARGIN_IN
        draw(page, top)
        top -= height
    yield page


def _pieces(blocks: Sequence[Block]) -> Iterator[tuple[Callable[[Figure, float], None], float]]:
    """Cut blocks into pieces that are not parted, each with its height in inches."""
    for block in blocks:
        if isinstance(block, Plot):
            yield partial(_draw_plot, plot=block), PLOT_IN[1] + 2 * AROUND_PLOT_IN
            continue
        lines = list(_lines(block))
        for start in range(0, len(lines), LEAST_LINES):
            piece = lines[start : start + LEAST_LINES]
            yield partial(_draw_lines, lines=piece), LINE_IN * len(piece)


def _draw_lines(page: Figure, top: float, *, lines: Sequence[str]) -> None:
    for number, line in enumerate(lines):
        place = _share(MARGIN_IN, top - number * LINE_IN)
        page.text(*place, line, va="top", family="monospace", size=FONT_SIZE, parse_math=False)


def _draw_plot(page: Figure, top: float, *, plot: Plot) -> None:
    bottom = top - PLOT_IN[1] - AROUND_PLOT_IN / 2
    plot.draw(page.add_axes((*_share(2 * MARGIN_IN, bottom), *_share(*PLOT_IN))))
    caption = "\n".join(textwrap.wrap(plot.caption, LINE_WIDTH))
    below = _share(MARGIN_IN, bottom - AROUND_PLOT_IN)
    page.text(*below, caption, va="top", size=FONT_SIZE, parse_math=False)


def _share(across_in: float, up_in: float) -> tuple[float, float]:
    """Turn inches into shares of the page."""
    return across_in / PAGE_IN[0], up_in / PAGE_IN[1]


def _lines(block: Block) -> Iterator[str]:
    """Set a block in lines of a typewriter font, an empty one after it."""
    match block:
        case Heading(text, level):
            yield text.upper() if level == 1 else text
            yield ("=" if level == 1 else "-") * len(text)
        case Paragraph(text):
            yield from textwrap.wrap(text, LINE_WIDTH)
        case Table():
            yield from _table_lines(block)
        case Results():
            yield from _table_lines(block.table)
    yield ""


def _table_lines(table: Table) -> Iterator[str]:
    yield from textwrap.wrap(table.caption, LINE_WIDTH)
    rows = (table.header, *table.rows)
    longest = [max(map(len, column)) for column in zip(*rows, strict=True)]
    widths = _fitting(longest, LINE_WIDTH)
    for number, row in enumerate(rows):
        cells = [
            textwrap.wrap(cell, max(width, 1)) for cell, width in zip(row, widths, strict=True)
        ]
        for parts in zip_longest(*cells, fillvalue=""):
            yield _joined(part.ljust(width) for part, width in zip(parts, widths, strict=True))
        if number == 0:
            yield _joined("-" * width for width in widths)
    for note in table.notes:
        yield from textwrap.wrap(note, LINE_WIDTH)


def _fitting(longest: list[int], room: int) -> list[int]:
    """Give columns widths that fit the line: the widest ones are narrowed, and their cells wrap."""
    room -= len(GAP) * (len(longest) - 1)
    cap = max(longest)
    while cap > 1 and sum(min(width, cap) for width in longest) > room:
        cap -= 1
    return [min(width, cap) for width in longest]


def _joined(cells: Iterable[str]) -> str:
    return GAP.join(cells).rstrip()

"""A report as a PDF of A4 pages, with vector plots in two columns and searchable text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Spacer
from reportlab.platypus import Table as Grid

from meniscal_measure import __version__
from meniscal_measure.cohort.agreement.plots import drawn
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Paragraph,
    Plot,
    References,
    Table,
    shown,
)
from meniscal_measure.report.canvas import Stamp
from meniscal_measure.report.lettering import style, write_line
from meniscal_measure.report.typeset import (
    PAGE_PT,
    SMALL,
    Layout,
    Plate,
    heading,
    paragraph,
    set_pdf,
    table,
    write_page_number,
)

MARGIN_PT, FOOT_PT = 45.0, 14.0

WIDTH_PT = PAGE_PT[0] - 2 * MARGIN_PT
"""Width of the text."""

TEXT = style(8.5)
CAPTION = ParagraphStyle("caption", style(8.0, bold=True), keepWithNext=1, spaceAfter=2)
CELL_PT = 7.5
"""Size of the type of tables."""

MADE_AT = "2000-01-01T00:00:00+00:00"
"""Time in the file: a fixed one, so that the same report gives the same bytes."""


def to_pdf(title: str, blocks: Sequence[Block]) -> bytes:
    """Write a report as PDF, the same bytes each time."""

    def draw_around(canvas: Canvas, number: int) -> None:
        write_line(canvas, MARGIN_PT, MARGIN_PT - 8, title, SMALL)
        write_page_number(canvas, MARGIN_PT + WIDTH_PT, MARGIN_PT - 8, number)

    height_pt = PAGE_PT[1] - 2 * MARGIN_PT - FOOT_PT
    layout = Layout(MARGIN_PT, MARGIN_PT + FOOT_PT, WIDTH_PT, height_pt, draw_around)
    stamp = Stamp(title, f"meniscal_measure {__version__}", MADE_AT)
    return set_pdf(list(_flowables(blocks)), stamp, layout)


def _flowables(blocks: Sequence[Block]) -> Iterator[Flowable]:
    for is_plot, run in groupby(shown(blocks), lambda block: isinstance(block, Plot)):
        together = list(run)
        if is_plot:
            plots = [block for block in together if isinstance(block, Plot)]
            yield from (_abreast(plots[n : n + 2]) for n in range(0, len(plots), 2))
            continue
        for block in together:
            match block:
                case Heading(text, level):
                    yield heading(text, level)
                case Paragraph(text):
                    yield paragraph(text, TEXT)
                    yield Spacer(0, 4)
                case References(sources):
                    yield from (
                        paragraph(f"{number}. {source}.", SMALL)
                        for number, source in enumerate(sources, 1)
                    )
                case Table():
                    yield from _table(block)


def _abreast(plots: Sequence[Plot]) -> Flowable:
    """Set one or two plots side by side, each over its caption."""
    half_pt = WIDTH_PT / 2
    cells = [[Plate(drawn(plot.draw, "pdf")), paragraph(plot.caption, SMALL)] for plot in plots]
    grid = Grid([cells], colWidths=[half_pt] * len(cells), hAlign="LEFT", spaceAfter=6)
    grid.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    return grid


def _table(block: Table) -> Iterator[Flowable]:
    yield paragraph(block.caption, CAPTION)
    yield table((block.header, *block.rows), WIDTH_PT, right=block.right, size_pt=CELL_PT)
    yield from (paragraph(note, SMALL) for note in block.notes)
    yield Spacer(0, 5)

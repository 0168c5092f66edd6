"""Documents set as PDF: text, tables and figures flow from page to page.

Figures are placed as the vector graphics that they are: ReportLab leaves an empty form for each,
which is then filled from the figure's own PDF.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from pypdf import PageObject, PdfReader, PdfWriter
from pypdf.generic import NameObject, StreamObject
from reportlab.lib.colors import black, grey
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph
from reportlab.platypus import Table as Grid

from meniscal_measure.report.canvas import Stamp, utc
from meniscal_measure.report.fonts import drawable, is_simple
from meniscal_measure.report.lettering import (
    OUTLINED,
    draw_outlined,
    markup,
    style,
    text_width_pt,
    write_line,
)

PAGE_PT = A4
"""Width and height of a page."""

BODY, BOLD, SMALL = style(8.0), style(8.0, bold=True), style(6.5)
SMALL_RIGHT = style(6.5, align=2)
HEADINGS = {1: style(15.0, bold=True), 2: style(11.5, bold=True), 3: style(9.5, bold=True)}
"""Styles of headings by level, 1 the title."""

GAP_PT = 10.0
"""Space between the columns of a table, and around a block."""

NARROWEST_PT = 22.0
"""A column is not made narrower than this."""

WHOLE_ROWS = 16
"""A table with no more rows than this is not split between pages."""

PAGE_COUNT = "page-count"
"""Form that holds the number of pages: drawn on every page, filled after the last."""


@dataclass(frozen=True)
class Layout:
    """Where the text is on a page, points from the lower left corner, and what is around it."""

    left_pt: float
    bottom_pt: float
    width_pt: float
    height_pt: float
    draw_around: Callable[[Canvas, int], None]
    """Draws heading and foot of a page, given its number from 1."""


def paragraph(text: str, style: ParagraphStyle = BODY) -> Flowable:
    """Set running text in any script.

    Examples
    --------
    >>> paragraph("extrusion").style.fontSize
    8.0
    """
    return Paragraph(markup(text, style), style)


def heading(text: str, level: int = 2) -> Flowable:
    """Set a heading; it stays with what follows.

    Examples
    --------
    >>> heading("Values", 3).style.fontName
    'DejaVu Sans Bold'
    """
    kept = ParagraphStyle(
        f"heading {level}",
        HEADINGS[level],
        keepWithNext=1,
        spaceBefore=GAP_PT if level > 1 else 0,
        spaceAfter=GAP_PT / 2,
    )
    return Paragraph(markup(text, kept), kept)


class Plate(Flowable):
    """A figure, placed as the vector graphics that a page of a PDF holds; small ones on the left.

    Figures of one PDF share their fonts. `trim_pt` cuts a white border off.
    """

    def __init__(self, pdf: bytes, *, page: int = 0, trim_pt: float = 0.0) -> None:
        super().__init__()
        self.pdf, self.page, self.trim_pt = pdf, page, trim_pt
        width_pt, height_pt = (float(side) for side in _pages(pdf)[page].mediabox[2:])
        self.width, self.height = width_pt - 2 * trim_pt, height_pt - 2 * trim_pt

    def wrap(self, available_width: float, _: float) -> tuple[float, float]:
        """Say how much room the figure takes; one wider than the text reaches into the margins."""
        self.shift_pt = min(0.0, (available_width - self.width) / 2)
        return min(self.width, available_width), self.height

    def draw(self) -> None:
        """Draw the form that will hold the figure."""
        canvas: Any = self.canv
        canvas.translate(self.shift_pt - self.trim_pt, -self.trim_pt)
        canvas.doForm(canvas.form_for(self))


def table(
    rows: Sequence[Sequence[str]],
    room_pt: float,
    *,
    widths_pt: Sequence[float] | None = None,
    right: Sequence[bool] | None = None,
    size_pt: float = 8.0,
) -> Grid:
    """Set rows of cells under a heading, which is repeated on each page.

    A row of which only the first cell says something is the title of the next: they stay together.
    Columns are as wide as `widths_pt` says, gaps included, or fitted to their contents and to
    `room_pt`; those marked in `right` are set to the right, for numbers.

    Examples
    --------
    >>> [round(width) for width in table([("side", "mm"), ("left", "3.0")], 200)._colWidths]
    [29, 27]
    """
    head, text = style(size_pt, bold=True), style(size_pt)
    widths_pt = widths_pt or column_widths(rows, room_pt, head)
    right = right or [False] * len(widths_pt)
    cells = [
        [
            _cell(words, width_pt, text if number else head, to_right=to_right)
            for words, width_pt, to_right in zip(row, widths_pt, right, strict=True)
        ]
        for number, row in enumerate(rows)
    ]
    grid = Grid(cells, colWidths=list(widths_pt), repeatRows=1, hAlign="LEFT", spaceAfter=GAP_PT)
    grid.setStyle(_GRID_STYLE)
    grid.setStyle([("FONT", (0, 0), (-1, 0), head.fontName, size_pt, head.leading)])
    grid.setStyle([("FONT", (0, 1), (-1, -1), text.fontName, size_pt, text.leading)])
    grid.setStyle([("ALIGN", (n, 0), (n, -1), "RIGHT") for n, on in enumerate(right) if on])
    if len(rows) <= WHOLE_ROWS:
        grid.setStyle([("NOSPLIT", (0, 0), (-1, -1))])
    titles = [n for n, (_, *others) in enumerate(rows) if others and not any(others)]
    grid.setStyle([("NOSPLIT", (0, n), (-1, n + 1)) for n in titles])
    return grid


_GRID_STYLE: Any = [
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), GAP_PT),
    ("TOPPADDING", (0, 0), (-1, -1), 0.2),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
    ("LINEBELOW", (0, 0), (-1, 0), 0.7, black),
    ("LINEBELOW", (0, 1), (-1, -1), 0.2, grey),
]


def _cell(text: str, width_pt: float, style: ParagraphStyle, *, to_right: bool) -> str | Flowable:
    """Set a cell: bare text where it fits on one line, which is faster, else a paragraph."""
    if is_simple(drawable(text)) and text_width_pt(text, style) <= width_pt - GAP_PT:
        return drawable(text)
    return paragraph(text, ParagraphStyle("cell", style, alignment=2 if to_right else 0))


def column_widths(
    rows: Sequence[Sequence[str]], room_pt: float, style: ParagraphStyle
) -> list[float]:
    """Fit columns to a room, gaps included: the widest ones are narrowed, and their cells wrap.

    Examples
    --------
    >>> rows = [("reader", "remark"), ("A", "a remark that is wider than the room " * 3)]
    >>> [round(width) for width in column_widths(rows, 200, BODY)]
    [36, 163]
    """
    widest = [
        max(text_width_pt(text, style) for text in column) + GAP_PT
        for column in zip(*rows, strict=True)
    ]
    cap_pt = max(widest)
    while cap_pt > NARROWEST_PT and sum(min(width, cap_pt) for width in widest) > room_pt:
        cap_pt -= 1.0
    return [min(width, cap_pt) for width in widest]


class _Sheets(Canvas):
    """A canvas that leaves a form for each figure, and one for the number of pages."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.figures: dict[str, Plate] = {}
        self.setNamedCB(OUTLINED, draw_outlined)

    def form_for(self, plate: Plate) -> str:
        """Make an empty form for a figure, and name it."""
        name = f"figure-{len(self.figures) + 1}"
        self.figures[name] = plate
        trim_pt = plate.trim_pt
        box: Any = (trim_pt, trim_pt, plate.width + trim_pt, plate.height + trim_pt)
        self.beginForm(name, *box)
        self.endForm()
        return name

    def save(self) -> None:
        """Say how many pages there are, and finish."""
        self.beginForm(PAGE_COUNT, 0, -10, 100, 100)
        write_line(self, 0, 0, str(self.getPageNumber() - 1), SMALL)
        self.endForm()
        super().save()


def write_page_number(canvas: Canvas, right_pt: float, y_pt: float, number: int) -> None:
    """Write "page 1 of 9" up to a place on the right."""
    right_pt -= text_width_pt("99", SMALL)
    write_line(canvas, right_pt, y_pt, f"page {number} of ", SMALL_RIGHT)
    canvas.saveState()
    canvas.translate(right_pt, y_pt)
    canvas.doForm(PAGE_COUNT)
    canvas.restoreState()


def set_pdf(blocks: Sequence[Flowable], stamp: Stamp, layout: Layout) -> bytes:
    """Set blocks on pages, and write them as PDF: the same bytes for the same blocks and stamp.

    Raises
    ------
    reportlab.platypus.doctemplate.LayoutError
        If a block that must not be split is taller than a page.
    """
    sheets: list[_Sheets] = []

    def canvas(*arguments: Any, **named: Any) -> _Sheets:
        sheets.append(_Sheets(*arguments, **named))
        return sheets[0]

    stream = io.BytesIO()
    text = Frame(
        layout.left_pt, layout.bottom_pt, layout.width_pt, layout.height_pt,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
    page = PageTemplate(
        frames=[text], onPage=lambda canvas, _: layout.draw_around(canvas, canvas.getPageNumber())
    )
    document = BaseDocTemplate(
        stream, pagesize=PAGE_PT, pageTemplates=[page], invariant=1, lang="en"
    )
    document.build(list(blocks), canvasmaker=canvas)
    return _with_figures(stream, sheets[0].figures, stamp)


def _with_figures(stream: io.BytesIO, figures: Mapping[str, Plate], stamp: Stamp) -> bytes:
    """Fill the empty forms with the figures' drawings, and say what the file is."""
    writer = PdfWriter(clone_from=stream)
    writer.metadata = {
        "/Title": stamp.title,
        "/Creator": stamp.software,
        "/CreationDate": f"{utc(stamp.made_at):D:%Y%m%d%H%M%S+00'00'}",  # ISO 32000-1, 7.9.4
    }
    forms: dict[str, Any] = {}
    for page in writer.pages:
        resources: Any = page["/Resources"]
        forms |= resources.get("/XObject", {})
    for name, plate in figures.items():
        _fill(forms[f"/FormXob.{name}"].get_object(), _pages(plate.pdf)[plate.page], writer)
    written = io.BytesIO()
    writer.write(written)
    return written.getvalue()


def _fill(form: StreamObject, drawing: PageObject, writer: PdfWriter) -> None:
    contents = drawing.get_contents()
    form.get_data()  # decodes what is there, so that the filter may be changed
    form[NameObject("/Filter")] = NameObject("/FlateDecode")
    form.set_data(b"" if contents is None else contents.get_data())
    for key in ("/Resources", "/Group"):
        if key in drawing:
            form[NameObject(key)] = drawing[key].clone(writer)


@lru_cache(maxsize=2)
def _pages(pdf: bytes) -> list[PageObject]:
    """Open a PDF; figures of one file have to come from one opened file to share what they use."""
    return list(PdfReader(io.BytesIO(pdf)).pages)

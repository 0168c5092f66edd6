"""A4 pages with a heading above their text and a foot below it."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from meniscal_measure.report.canvas import Stamp
from meniscal_measure.report.lettering import write_line
from meniscal_measure.report.typeset import (
    BOLD,
    PAGE_PT,
    Layout,
    paragraph,
    set_pdf,
    write_page_number,
)

MARGIN_PT, HEAD_PT, FOOT_PT = 34.0, 16.0, 24.0
"""Margin of a page, and the room within it for heading and foot."""

WIDTH_PT = PAGE_PT[0] - 2 * MARGIN_PT
"""Width of the text."""


def framed_pdf(
    blocks: Sequence[Flowable], stamp: Stamp, *, head: str, foot: str, foot_style: ParagraphStyle
) -> bytes:
    """Set blocks on numbered pages that all have the same heading and foot."""

    def draw_around(canvas: Canvas, number: int) -> None:
        right_pt, top_pt = MARGIN_PT + WIDTH_PT, PAGE_PT[1] - MARGIN_PT
        write_line(canvas, MARGIN_PT, top_pt - 8, head, BOLD)
        write_page_number(canvas, right_pt, top_pt - 8, number)
        canvas.setLineWidth(0.6)
        for y_pt in (top_pt - HEAD_PT + 5, MARGIN_PT + FOOT_PT - 4):
            canvas.line(MARGIN_PT, y_pt, right_pt, y_pt)
        below = paragraph(foot, foot_style)
        _, height_pt = below.wrapOn(canvas, WIDTH_PT, FOOT_PT)
        below.drawOn(canvas, MARGIN_PT, MARGIN_PT + FOOT_PT - 6 - height_pt)

    height_pt = PAGE_PT[1] - 2 * MARGIN_PT - HEAD_PT - FOOT_PT
    layout = Layout(MARGIN_PT, MARGIN_PT + FOOT_PT, WIDTH_PT, height_pt, draw_around)
    return set_pdf(blocks, stamp, layout)

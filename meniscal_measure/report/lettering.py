"""Words in any script on a PDF page.

ReportLab sets what DejaVu Sans draws letter by letter. Other words are outlines shaped by
matplotlib, over invisible letters by which a reader program finds and copies them.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any, Literal
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.path import Path
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily, stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from meniscal_measure.report.fonts import FONT, drawable, is_simple, outlines, runs

BOLD_FONT = f"{FONT} Bold"

LEADING = 1.33
"""Distance of lines over the size of the type."""

OUTLINED = "outlined"
"""Name by which ReportLab's markup calls for outlines."""

NO_BREAK = "\N{NO-BREAK SPACE}"

WITHIN_VALUE = re.compile(r"(?<=[\d>≥]) (?=mm|%|\d)")
"""Where a line must not break."""


Alignment = Literal[0, 1, 2]
"""To the left, in the middle, to the right: ReportLab's numbers."""


def style(size_pt: float, *, bold: bool = False, align: Alignment = 0) -> ParagraphStyle:
    """Make a style of text: DejaVu Sans of a size.

    Examples
    --------
    >>> style(8.0, bold=True).fontName
    'DejaVu Sans Bold'
    """
    _register_fonts()
    return ParagraphStyle(
        f"{size_pt:g} {align}",
        fontName=BOLD_FONT if bold else FONT,
        fontSize=size_pt,
        leading=LEADING * size_pt,
        alignment=align,
        splitLongWords=1,
    )


@cache
def _register_fonts() -> None:
    for name, weight in ((FONT, "normal"), (BOLD_FONT, "bold")):
        file = findfont(FontProperties(family=FONT, weight=weight), fallback_to_default=False)
        registerFont(TTFont(name, str(file), shapable=False))
    registerFontFamily(FONT, normal=FONT, bold=BOLD_FONT, italic=FONT, boldItalic=BOLD_FONT)


def markup(text: str, style: ParagraphStyle) -> str:
    """Write text in ReportLab's markup; words to be outlined become a gap of their width.

    Examples
    --------
    >>> markup("a < b", style(8.0))
    'a &lt; b'
    """
    text = drawable(WITHIN_VALUE.sub(NO_BREAK, text))
    if is_simple(text):
        return escape(text)
    return " ".join(
        escape(words) if simple else _outlined_gap(words, style) for simple, words in runs(text)
    )


def _outlined_gap(words: str, style: ParagraphStyle) -> str:
    label = f"{style.fontSize} {_weight(style)} {words}"
    _, width_pt = outlines(words, style.fontSize, _weight(style))
    gap, size_pt = _gap(width_pt, style.fontSize)
    call = f'<onDraw name="{OUTLINED}" label={quoteattr(label)}/>'
    return f'<font size="{size_pt:.4f}">{gap}</font>{call}'


def _gap(width_pt: float, size_pt: float) -> tuple[str, float]:
    """Spaces that fill a width without a break, and their size: none larger than the text."""
    count = math.ceil(width_pt / stringWidth(NO_BREAK, FONT, size_pt))
    return count * NO_BREAK, width_pt / stringWidth(count * NO_BREAK, FONT, 1)


def _weight(style: ParagraphStyle) -> str:
    return "bold" if style.fontName == BOLD_FONT else "normal"


def draw_outlined(canvas: Canvas, kind: str | None, label: str) -> None:
    """Draw the words of a gap that `markup` left: ReportLab calls this under `OUTLINED`."""
    size, weight, words = label.split(" ", 2)
    place = canvas._curr_tx_info  # type: ignore[attr-defined]  # where ReportLab says the place
    _, width_pt = outlines(words, float(size), weight)
    _draw_words(canvas, (place["cur_x"] - width_pt, place["cur_y"]), words, float(size), weight)


def text_width_pt(text: str, style: ParagraphStyle) -> float:
    """Width of one line of text, points.

    Examples
    --------
    >>> round(text_width_pt("extrusion", style(8.0)), 1)
    37.5
    """
    text = drawable(text)
    if is_simple(text):
        return stringWidth(text, style.fontName, style.fontSize)
    return outlines(text, style.fontSize, _weight(style))[1]


def write_line(canvas: Canvas, x_pt: float, y_pt: float, text: str, style: ParagraphStyle) -> None:
    """Write one line from, around or up to a place on its baseline, as the style is aligned."""
    text = drawable(text)
    x_pt -= text_width_pt(text, style) * int(style.alignment) / 2
    if is_simple(text):
        canvas.setFont(style.fontName, style.fontSize)
        canvas.drawString(x_pt, y_pt, text)
    else:
        _draw_words(canvas, (x_pt, y_pt), text, style.fontSize, _weight(style))


def _draw_words(
    canvas: Canvas, at_pt: tuple[float, float], words: str, size_pt: float, weight: str
) -> None:
    path, width_pt = outlines(words, size_pt, weight)
    gap, gap_size_pt = _gap(width_pt, size_pt)
    canvas.saveState()
    canvas.translate(*at_pt)
    canvas.addLiteral(f"/Span <</ActualText <FEFF{words.encode('utf-16-be').hex()}>>> BDC")
    canvas.setFont(FONT, gap_size_pt)
    canvas.drawString(0, 0, gap)
    canvas.addLiteral("EMC")
    canvas.drawPath(_traced(canvas, path), stroke=0, fill=1)
    canvas.restoreState()


def _traced(canvas: Canvas, path: Path) -> Any:
    """Trace a path of matplotlib as one of ReportLab, whose only curves are cubic."""
    drawn, at = canvas.beginPath(), np.zeros(2)
    for flat, code in path.iter_segments(curves=True, simplify=False):
        points = np.reshape(flat, (-1, 2))
        if code == Path.MOVETO:
            drawn.moveTo(*points[0])
        elif code == Path.LINETO:
            drawn.lineTo(*points[0])
        elif code == Path.CURVE3:
            control, end = points
            drawn.curveTo(*(at + 2 * (control - at) / 3), *(end + 2 * (control - end) / 3), *end)
        elif code == Path.CURVE4:
            drawn.curveTo(*points.ravel())
        else:
            drawn.close()
        at = points[-1]
    return drawn

"""Figures laid out in inches from the upper left corner, and turned into file contents.

Figures are made without pyplot: nothing global is touched, any thread or server may draw.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from reportlab.lib.utils import simpleSplit

from meniscal_measure.report.fonts import drawable, families
from meniscal_measure.report.lettering import WITHIN_VALUE, style

TEXT_PT = 7.5
"""Size of running text."""

LINE_HEIGHT, ASCENT = 1.32, 0.76
"""Distance of lines, and height of the tallest letters of DejaVu Sans, over the font size."""

RASTER_DPI = 200
"""Resolution of PNG files and of the image inside SVG and PDF: a 0.4 mm pixel is not lost."""

RASTER_WIDENS = 1.05
"""Letters hinted to the pixel grid are at most this much wider than in the font."""

UNBROKEN = "\ue000"
"""Stands for a space at which no line may end (Unicode private use: part of no script)."""

_OUTPUT_SETTINGS: dict[Any, Any] = {
    "pdf.fonttype": 42,  # TrueType: text in the PDF stays searchable and is embedded
    "svg.fonttype": "path",  # the same look on machines without the font
    "svg.hashsalt": "meniscal_measure",  # the same element ids on every run
}


@dataclass(frozen=True)
class Region:
    """A rectangle of a figure, in inches from the figure's upper left corner."""

    figure: Figure
    left_in: float
    top_in: float
    width_in: float
    height_in: float

    def part(self, left_in: float, top_in: float, width_in: float, height_in: float) -> Region:
        """Cut out a region, measured from the upper left corner of this one.

        Examples
        --------
        >>> part = blank(8.0, 11.0).part(0.5, 1.0, 7.0, 2.0).part(1.0, 0.5, 2.0, 1.0)
        >>> part.left_in, part.top_in, part.width_in
        (1.5, 1.5, 2.0)
        """
        return Region(
            self.figure, self.left_in + left_in, self.top_in + top_in, width_in, height_in
        )

    def at(self, x_in: float, y_in: float) -> tuple[float, float]:
        """Figure coordinates (fractions from the lower left) of a point of the region.

        Examples
        --------
        >>> blank(8.0, 10.0).part(2.0, 1.0, 4.0, 4.0).at(0.0, 0.0)
        (0.25, 0.9)
        """
        width, height = map(float, self.figure.get_size_inches())
        return (self.left_in + x_in) / width, 1 - (self.top_in + y_in) / height

    def axes(self) -> Axes:
        """Axes that fill the region.

        Examples
        --------
        >>> float(blank(4.0, 2.0).part(1.0, 0.5, 2.0, 1.0).axes().get_position().width)
        0.5
        """
        x0, y0 = self.at(0, self.height_in)
        x1, y1 = self.at(self.width_in, 0)
        return self.figure.add_axes((x0, y0, x1 - x0, y1 - y0))

    def text(self, x_in: float, y_in: float, words: str, **style: Any) -> Text:
        """Write one line; `y_in` is the top of its tallest letters unless `va` says otherwise."""
        words = drawable(words)
        style = {"size": TEXT_PT, "family": list(families(words)), "va": "baseline", **style}
        if style["va"] == "baseline":  # aligning by the ink would make neighbouring cells jump
            y_in += ASCENT * style["size"] / 72
        return self.figure.text(*self.at(x_in, y_in), words, parse_math=False, **style)

    def lines(self, x_in: float, y_in: float, lines: list[str], **style: Any) -> float:
        """Write lines below each other; returns the y below them, inches.

        Examples
        --------
        >>> round(blank(8.0, 10.0).lines(0.0, 1.0, ["one", "two"], size=7.5), 3)
        1.275
        """
        for line in lines:
            self.text(x_in, y_in, line, **style)
            y_in += line_height_in(style.get("size", TEXT_PT))
        return y_in

    def wrapped(self, x_in: float, y_in: float, words: str, **style: Any) -> float:
        """Write words broken to the region's width; returns the y below them, inches.

        Examples
        --------
        >>> round(blank(1.0, 10.0).wrapped(0.0, 1.0, "extrusion of 5.20 mm", size=7.5), 3)
        1.275
        """
        size, bold = style.get("size", TEXT_PT), style.get("weight") == "bold"
        return self.lines(x_in, y_in, wrap(words, self.width_in - x_in, size, bold=bold), **style)

    def box(self, **style: Any) -> Rectangle:
        """Draw the region's outline or ground."""
        x0, y0 = self.at(0, self.height_in)
        x1, y1 = self.at(self.width_in, 0)
        patch = Rectangle((x0, y0), x1 - x0, y1 - y0, transform=self.figure.transFigure, **style)
        self.figure.add_artist(patch)
        return patch


def wrap(words: str, width_in: float, size_pt: float, *, bold: bool = False) -> list[str]:
    """Break words into lines no wider than the width; a value stays with its unit.

    Examples
    --------
    >>> wrap("extrusion of 5.20 mm", 1.0, 7.5)
    ['extrusion of', '5.20 mm']
    """
    font = style(size_pt, bold=bold).fontName
    kept = WITHIN_VALUE.sub(UNBROKEN, words)
    lines = simpleSplit(kept, font, size_pt, 72 * width_in / RASTER_WIDENS)
    return [line.replace(UNBROKEN, " ") for line in lines] or [""]


def line_height_in(size_pt: float) -> float:
    """Distance of lines of text of this size, inches.

    Examples
    --------
    >>> line_height_in(7.5)
    0.1375
    """
    return LINE_HEIGHT * size_pt / 72


def blank(width_in: float, height_in: float) -> Region:
    """Make an empty figure of this size.

    Examples
    --------
    >>> blank(8.0, 10.0).width_in
    8.0
    """
    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    FigureCanvasAgg(figure)
    return Region(figure, 0, 0, width_in, height_in)


def quiet_axes(axes: Axes, label_pt: float) -> None:
    """Draw the axes of a curve so that they stay behind it: pale lines across, no frame."""
    axes.tick_params(labelsize=label_pt)
    axes.grid(visible=True, axis="y", color="0.88", lw=0.6)
    axes.spines[["top", "right"]].set_visible(False)


@dataclass(frozen=True)
class Stamp:
    """What the metadata of a picture file says about it: no identifiers."""

    title: str
    software: str
    made_at: str
    """UTC, ISO 8601."""


def utc(iso: str) -> datetime:
    """Read a time in UTC; one without an offset is taken to be UTC.

    Examples
    --------
    >>> utc("2026-02-03T05:05:06+01:00").isoformat()
    '2026-02-03T04:05:06+00:00'
    """
    moment = datetime.fromisoformat(iso)
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def png_bytes(figure: Figure, stamp: Stamp) -> bytes:
    """Render as PNG.

    Examples
    --------
    >>> png_bytes(blank(1.0, 1.0).figure, Stamp("empty", "example", "2026-02-03T05:05:06"))[1:4]
    b'PNG'
    """
    return _saved(figure, "png", {"Title": stamp.title, "Software": stamp.software})


def svg_bytes(figure: Figure, stamp: Stamp) -> bytes:
    """Render as SVG: outlines for text, the slice embedded, nothing fetched from outside.

    Examples
    --------
    >>> b"<svg" in svg_bytes(blank(1.0, 1.0).figure, Stamp("empty", "example", "2026-02-03"))
    True
    """
    return _saved(
        figure, "svg", {"Title": stamp.title, "Creator": stamp.software, "Date": stamp.made_at}
    )


def pdf_bytes(figures: list[Figure], stamp: Stamp) -> bytes:
    """Render as PDF, one page each; the same bytes for the same reading.

    Examples
    --------
    >>> pdf_bytes([blank(1.0, 1.0).figure], Stamp("empty", "example", "2026-02-03T05:05:06"))[:5]
    b'%PDF-'
    """
    metadata = {"Title": stamp.title, "Creator": stamp.software, "CreationDate": utc(stamp.made_at)}
    stream = io.BytesIO()
    with mpl.rc_context(_OUTPUT_SETTINGS), PdfPages(stream, metadata=metadata) as pages:
        for figure in figures:
            pages.savefig(figure, dpi=RASTER_DPI)
    return stream.getvalue()


def _saved(figure: Figure, kind: str, metadata: dict[str, str]) -> bytes:
    stream = io.BytesIO()
    with mpl.rc_context(_OUTPUT_SETTINGS):
        figure.savefig(stream, format=kind, dpi=RASTER_DPI, metadata=metadata)
    return stream.getvalue()

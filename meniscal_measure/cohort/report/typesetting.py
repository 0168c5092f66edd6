"""Widths of words and lines in the report's type, so that text can be wrapped to a measure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

LEADING = 1.35
"""Distance of lines over the size of the type."""

NARROWEST_IN = 0.3
"""A column is not made narrower than this."""


@dataclass(frozen=True)
class Style:
    """Size and weight of type."""

    size_pt: float
    weight: str = "normal"

    @property
    def line_in(self) -> float:
        """Distance of lines, inches."""
        return LEADING * self.size_pt / 72


BODY = Style(8.0)
BOLD = Style(8.0, "bold")
SMALL = Style(6.5)
HEADINGS = {1: Style(15.0, "bold"), 2: Style(11.5, "bold"), 3: Style(9.5, "bold")}
"""Type of headings by level."""

_METER = TextToPath()


@lru_cache(maxsize=50_000)
def width_in(text: str, style: Style) -> float:
    """Width of a line of text, inches."""
    font = FontProperties(size=style.size_pt, weight=style.weight)
    width, _, _ = _METER.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72


def wrapped(text: str, style: Style, room_in: float) -> list[str]:
    """Part text into lines no wider than the room; a longer word is cut."""
    lines: list[str] = []
    for word in _short_enough(text, style, room_in):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_in(longer, style) <= room_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines or [""]


def _short_enough(text: str, style: Style, room_in: float) -> Iterator[str]:
    for word in text.split():
        rest = word
        while width_in(rest, style) > room_in and len(rest) > 1:
            cut = next(n for n in range(len(rest) - 1, 0, -1)
                       if n == 1 or width_in(rest[:n], style) <= room_in)  # fmt: skip
            yield rest[:cut]
            rest = rest[cut:]
        yield rest


def column_widths(rows: Sequence[Sequence[str]], room_in: float, gap_in: float) -> list[float]:
    """Give columns widths that fit the room: the widest ones are narrowed, and their cells wrap."""
    widest = [max(width_in(cell, BOLD) for cell in column) for column in zip(*rows, strict=True)]
    room_in -= gap_in * (len(widest) - 1)
    cap = max(widest)
    while cap > NARROWEST_IN and sum(min(width, cap) for width in widest) > room_in:
        cap -= 0.02
    return [min(width, cap) for width in widest]

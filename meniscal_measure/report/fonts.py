"""Which font draws which text, so that a name in any script is legible and never a row of boxes.

DejaVu Sans comes with matplotlib and draws Latin, Greek and Cyrillic the same on every machine.
For other scripts the fonts of the machine are asked. What none of them can draw is shown as its
code point, `[U+6F22]`: ugly, but it cannot be mistaken for anything else.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache, lru_cache
from itertools import groupby

import numpy as np
from matplotlib.font_manager import FontPath, FontProperties, fontManager, get_font
from matplotlib.path import Path
from matplotlib.textpath import text_to_path

FONT = "DejaVu Sans"
"""The font of all running text; it ships with matplotlib."""

NO_LETTERS = ("lastresort", "last resort", "blank", "emoji", "notdef")
"""Parts of the names of fonts that claim characters without drawing them as letters."""

JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"
"""Invisible characters that some scripts need to be rendered correctly."""

CODE_POINT_NOTE = "Characters that no font of this machine draws stand as code points: [U+...]."
"""Explains code points to the reader where `drawable` had to put them."""


@cache
def _coverage() -> dict[str, frozenset[int]]:
    """Code points that each installed font family draws upright, by its name."""
    found: dict[str, frozenset[int]] = {}
    for entry in sorted(fontManager.ttflist, key=lambda entry: (entry.name, entry.fname)):
        upright = entry.style == "normal" and entry.weight == 400 and entry.stretch == "normal"
        draws_letters = not any(part in entry.name.lower() for part in NO_LETTERS)
        if upright and draws_letters and entry.name not in found:
            try:
                found[entry.name] = frozenset(
                    get_font(FontPath(entry.fname, entry.index)).get_charmap()
                )
            except (OSError, RuntimeError):  # a font file that was taken away, or is damaged
                continue
    return found


@cache
def _shipped() -> frozenset[int]:
    path = fontManager.findfont(FontProperties(family=FONT), fallback_to_default=False)
    return frozenset(get_font(path).get_charmap())


@lru_cache(maxsize=1000)
def families(text: str) -> tuple[str, ...]:
    """Font families that together draw a text, the one to be tried first in front.

    Examples
    --------
    >>> families("extrusion of 3 mm")
    ('DejaVu Sans',)
    """
    missing = {ord(letter) for letter in text if not letter.isspace()} - _shipped()
    chosen: list[str] = []
    while missing:
        _, _, family, covered = min(
            (
                (-len(missing & letters), "sans" not in name.lower(), name, missing & letters)
                for name, letters in _coverage().items()
            ),
            default=(0, False, "", frozenset()),
        )
        if not covered:
            break
        chosen.append(family)
        missing -= covered
    return (*chosen, FONT)


@lru_cache(maxsize=10_000)
def drawable(text: str) -> str:
    """Replace what cannot be drawn by its code point: control characters, and unknown scripts.

    Examples
    --------
    >>> drawable("M\N{LATIN SMALL LETTER U WITH DIAERESIS}ller")
    'Müller'
    >>> drawable("a\N{RIGHT-TO-LEFT OVERRIDE}b")
    'a[U+202E]b'
    """
    text = unicodedata.normalize("NFC", text)
    if text.isascii() and text.isprintable():
        return text
    drawn = _shipped().union(*(_coverage()[name] for name in families(text)[:-1]))
    return "".join(
        letter if _is_drawn(letter, drawn) else f"[U+{ord(letter):04X}]" for letter in text
    )


def _is_drawn(letter: str, drawn: frozenset[int]) -> bool:
    if letter in JOINERS or unicodedata.category(letter) == "Zs":
        return True
    return letter.isprintable() and ord(letter) in drawn


def is_simple(text: str) -> bool:
    """Whether DejaVu Sans draws a text letter by letter from left to right.

    Examples
    --------
    >>> is_simple("Ångström, Σωκράτης"), is_simple("山田"), is_simple("سارة")
    (True, False, False)
    """
    return text.isascii() or all(
        ord(letter) in _shipped()
        and unicodedata.bidirectional(letter) not in ("R", "AL", "AN")
        and not unicodedata.category(letter).startswith("M")
        and letter not in JOINERS
        for letter in text
    )


def runs(text: str) -> Iterator[tuple[bool, str]]:
    """Split a text into words set letter by letter, and words that need another font or shaping.

    Neighbouring words of one kind stay together, so that a name written from right to left keeps
    the order of its words. Each part comes with whether `is_simple` holds for it.

    Examples
    --------
    >>> list(runs("by 山田 花子, signed"))
    [(True, 'by'), (False, '山田 花子,'), (True, 'signed')]
    """
    for simple, words in groupby(text.split(), is_simple):
        yield simple, " ".join(words)


@lru_cache(maxsize=1000)
def outlines(text: str, size_pt: float, weight: str = "normal") -> tuple[Path, float]:
    """Outline a text in any script, shaped as the script asks, and give its width, points.

    The outlines are in points from the start of the baseline, upwards positive.

    Examples
    --------
    >>> path, width_pt = outlines("mm", 10.0)
    >>> round(width_pt, 1)
    19.5
    """
    font = FontProperties(family=list(families(text)), size=size_pt, weight=weight)
    vertices, codes = text_to_path.get_text_path(font, text)
    width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    scale = size_pt / text_to_path.FONT_SCALE
    path = Path(np.multiply(vertices, scale), codes)
    return path, max(float(width_pt), float(path.get_extents().x1))

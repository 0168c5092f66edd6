"""How marks are drawn: what is flagged or undecided shows by weight, fill, dashes and words.

Colour only repeats it. The colours are from the palette of Okabe and Ito (Color Universal Design,
2008), distinguishable with every common colour vision deficiency.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.patheffects import AbstractPathEffect, withStroke

from meniscal_measure.caliper.reading import Decision, Extrusion

ORANGE, SKY = "#E69F00", "#56B4E9"
"""On the dark slice: flagged, not flagged."""

VERMILION, BLUE = "#D55E00", "#0072B2"
"""On white paper: flagged, not flagged."""


Dashes = str | tuple[float, tuple[float, float]]

SHORT_DASHES: Dashes = (0.0, (1.4, 0.9))
"""Dash and gap over the line's weight: short, so that even a caliper of 2 mm shows several."""


@dataclass(frozen=True)
class Ink:
    """How the marks of one compartment are drawn."""

    on_slice: str
    on_paper: str
    weight_pt: float
    dashes: Dashes
    filled: bool

    def marker(self, colour: str, *, ground: str = "white") -> dict[str, Any]:
        """Style of the flag marker: a large filled triangle, or a small open circle.

        Examples
        --------
        >>> Ink(SKY, BLUE, 1.0, "-", filled=False).marker(BLUE)["marker"]
        'o'
        """
        return {
            "marker": "v" if self.filled else "o",
            "markersize": 7.0 if self.filled else 4.0,
            "markerfacecolor": colour if self.filled else ground,
            "markeredgecolor": colour,
            "markeredgewidth": 1.0,
        }


def ink_for(extrusion: Extrusion) -> Ink:
    """Choose the ink: heavy and filled when flagged, dashed when undecided.

    Examples
    --------
    >>> ink_for(reading.medial.extrusion).weight_pt, ink_for(reading.lateral.extrusion).weight_pt
    (2.2, 1.0)
    """
    dashes: Dashes = SHORT_DASHES if extrusion.decision is Decision.UNDECIDED else "-"
    if extrusion.flag:
        return Ink(ORANGE, VERMILION, 2.2, dashes, filled=True)
    return Ink(SKY, BLUE, 1.0, dashes, filled=False)


def halo(colour: str = "black", *, width_pt: float = 1.0) -> list[AbstractPathEffect]:
    """Outline a mark so that it stays visible on bright and on dark ground."""
    return [withStroke(linewidth=width_pt, foreground=colour)]

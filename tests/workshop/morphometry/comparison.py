"""Figures of a set of drawn knees side by side with those of 44 real ones.

`real_knees.csv` holds mean and standard deviation over 44 knees of the Osteoarthritis Initiative,
many of them arthritic, measured on the segmentation label maps that accompany arXiv:2211.16696.
`reliability` says how far the figure of one knee can be
trusted: the intraclass correlation of two visits is 0.75 or more (good), 0.45 or more (fair), or
less (poor).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

SHIFT_SD = 0.5
SPREAD = (0.7, 1.4)
"""A figure agrees if its mean differs by at most this many real standard deviations, and its
standard deviation lies within these multiples of the real one."""

FEWEST = 5
"""Knees in which a figure must exist for it to be compared."""

Figures = Sequence[dict[int, dict[str, float]]]
"""Of each knee: figures by offset of the section; see `figures.knee_figures`."""


@dataclass(frozen=True)
class Agreement:
    """One figure of the drawn knees beside that of the real ones."""

    figure: str
    offset_mm: int
    reliability: str
    real: tuple[float, float]
    """Mean and standard deviation."""
    drawn: tuple[float, float]
    count: int

    @property
    def shift(self) -> float:
        """Difference of the means in real standard deviations.

        Examples
        --------
        >>> Agreement("width", 0, "good", real=(75.0, 6.0), drawn=(78.0, 6.0), count=20).shift
        0.5
        """
        return (self.drawn[0] - self.real[0]) / max(self.real[1], 1e-6)

    @property
    def spread(self) -> float:
        """Standard deviation over the real one.

        Examples
        --------
        >>> Agreement("width", 0, "good", real=(75.0, 6.0), drawn=(78.0, 3.0), count=20).spread
        0.5
        """
        return self.drawn[1] / max(self.real[1], 1e-6)

    @property
    def verdict(self) -> str:
        """What is wrong: nothing, the mean, the spread or both.

        Examples
        --------
        >>> Agreement("width", 0, "good", real=(75.0, 6.0), drawn=(80.0, 6.0), count=20).verdict
        'mean'
        """
        mean = abs(self.shift) <= SHIFT_SD
        spread = SPREAD[0] <= self.spread <= SPREAD[1]
        return {(1, 1): "ok", (0, 1): "mean", (1, 0): "spread", (0, 0): "mean and spread"}[
            int(mean), int(spread)
        ]


def compared(figures: Figures) -> list[Agreement]:
    """Compare every figure that both drawn and real knees have."""
    found = []
    text = Path(__file__).with_name("real_knees.csv").read_text("utf-8")
    for line in csv.DictReader(text.splitlines()):
        key, offset = line["figure"], int(line["offset_mm"])
        values = np.array([knee[offset].get(key, np.nan) for knee in figures])
        values = values[np.isfinite(values)]
        if values.size >= FEWEST:
            drawn = float(values.mean()), float(values.std(ddof=1))
            real = float(line["mean"]), float(line["sd"])
            found.append(Agreement(key, offset, line["reliability"], real, drawn, int(values.size)))
    return found


def table(agreements: Sequence[Agreement]) -> str:
    """Write figures as lines of text: drawn and real mean and standard deviation, verdict.

    Examples
    --------
    >>> print(table([Agreement("width", 0, "good", (75.0, 6.0), (80.0, 6.0), 20)]).splitlines()[1])
    width                 0     80.00 ( 6.00)     75.00 ( 6.00)   0.83   1.00  good   mean
    """
    head = f"{'figure':16}{'offset':>7}{'drawn':>18}{'real':>18}{'shift':>7}{'spread':>7}  "
    lines = [head + "reliability"]
    for item in agreements:
        drawn, real = (f"{mean:9.2f} ({sd:5.2f})" for mean, sd in (item.drawn, item.real))
        lines.append(
            f"{item.figure:16}{item.offset_mm:7d}{drawn:>18}{real:>18}{item.shift:7.2f}"
            f"{item.spread:7.2f}  {item.reliability:6} {item.verdict}"
        )
    return "\n".join(lines)

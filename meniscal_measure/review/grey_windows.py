"""Windows for the parts of a knee that a reader looks at, by the contrast of the series.

Each is a part of the automatic window, from 0 (its black) to 1 (its white). The parts are common
practice, no source: they were set by eye so that the edge in question lies on the steep middle.
"""

from __future__ import annotations

from dataclasses import dataclass

from meniscal_measure.series.model import Contrast


@dataclass(frozen=True)
class GreyWindow:
    """A window by what it is for, as a part of the automatic window."""

    code: str
    words: str
    part: tuple[float, float]


WHOLE = GreyWindow("overview", "Whole knee", (0.0, 1.0))

FAT_DARK = (
    WHOLE,
    GreyWindow("meniscus", "Meniscal edge", (-0.05, 0.55)),
    GreyWindow("bone", "Plateau rim", (0.05, 0.75)),
    GreyWindow("fluid", "Fluid against cartilage", (0.35, 1.25)),
)
"""With fat suppressed, fluid is brightest and bone marrow dark grey."""

FAT_BRIGHT = (
    WHOLE,
    GreyWindow("meniscus", "Meniscal edge", (-0.05, 0.45)),
    GreyWindow("bone", "Plateau rim", (0.0, 0.9)),
    GreyWindow("marrow", "Bone marrow", (0.3, 1.1)),
)
"""Without suppression, fat and bone marrow are bright and cortex is the only black beside the
meniscus."""


def grey_windows(contrast: Contrast) -> tuple[GreyWindow, ...]:
    """Choose the windows that suit a contrast.

    Examples
    --------
    >>> [window.code for window in grey_windows(study.stacks[0].contrast)]
    ['overview', 'meniscus', 'bone', 'marrow']
    """
    return FAT_DARK if contrast.fat_suppressed else FAT_BRIGHT

"""Words on a drawing that overlap or run off the paper."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

OVERLAP_PX = 2.5
"""Overlap of words that counts as a fault, at 100 dots per inch."""


@pytest.fixture(scope="session")
def layout_faults() -> Callable[[Figure], list[str]]:
    """List words that overlap others or run off the paper."""
    return faults_of_layout


def faults_of_layout(figure: Figure) -> list[str]:
    """Words that overlap others or run off the paper."""
    figure.draw_without_rendering()
    paper = figure.bbox
    boxes = [(text.get_text(), text.get_window_extent()) for text in _drawn_texts(figure)]
    off_paper = [
        f"{said!r} runs off the paper"
        for said, box in boxes
        if box.x0 < 0 or box.y0 < 0 or box.x1 > paper.x1 or box.y1 > paper.y1
    ]
    overlapping = [
        f"{first!r} overlaps {second!r}"
        for (first, a), (second, b) in itertools.combinations(boxes, 2)
        # lines of one paragraph may share the room of ascenders and descenders
        if min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)) > OVERLAP_PX
    ]
    return off_paper + overlapping


def _drawn_texts(figure: Figure) -> list[Text]:
    texts = list(figure.texts)
    for axes in figure.axes:
        texts += [*axes.texts, axes.xaxis.label, axes.yaxis.label]
    return [text for text in texts if text.get_text()]

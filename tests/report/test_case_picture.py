"""Slices of a case as they are drawn."""

from __future__ import annotations

import numpy as np

from meniscal_measure.anatomy import Plane
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.report.case_picture import (
    LIFTS_PT,
    LINE_PT,
    CasePicture,
    PictureMark,
    label_lifts_pt,
)
from meniscal_measure.slice_name import SliceName

GRID = PixelGrid((-80, 0, 80), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 320, 320)


def parts_drawn(landmarks: int) -> int:
    """How many lines and words a slice takes that holds so many landmarks."""
    where = TracedSlice(Plane.CORONAL, SliceName(5, 10), "1.2.3", Visit.BASELINE)
    marks = [PictureMark("tear", (60.0 + i % 200, 60.0 + i // 200)) for i in range(landmarks)]
    picture = CasePicture(where, np.zeros((320, 320), np.float32), GRID, tuple(marks), ())
    (axes,) = picture.figure().axes
    return len(axes.lines) + len(axes.texts)


def test_a_thousand_landmarks_are_drawn_with_no_more_labels_than_have_room() -> None:
    assert parts_drawn(1000) < 2 * parts_drawn(100)


def test_a_label_hides_no_other_cross() -> None:
    """The label of the first would run over the second: it stands above both, or below."""
    first, second = label_lifts_pt([(0.0, 0.0), (14.0, 0.0)], [60.0, 60.0])
    assert first is not None
    assert second is not None
    assert not -LINE_PT < first < LINE_PT
    assert abs(first - second) >= LINE_PT


def test_no_label_stands_on_another() -> None:
    lifts = label_lifts_pt([(0.0, 0.0)] * 20, [50.0] * 20)
    standing = sorted(lift for lift in lifts if lift is not None)
    assert len(standing) > len(LIFTS_PT) / 2
    assert min(np.diff(standing)) >= LINE_PT

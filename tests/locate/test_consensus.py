"""The slices decide together."""

import numpy as np
import pytest

from meniscal_measure.locate.consensus import middle_mm, smoothed
from meniscal_measure.locate.plateau import ACROSS
from meniscal_measure.locate.survey import Survey


def a_survey(offsets_mm: np.ndarray, measurable: np.ndarray) -> Survey:
    count = len(offsets_mm)
    both = np.stack([offsets_mm, offsets_mm], axis=1)
    ones = np.ones(count)
    nowhere = np.zeros((count, 4, 2))
    unseen = np.full((count, len(ACROSS)), np.nan)
    spreads = np.ones((count, 2))
    return Survey(nowhere, measurable, ones, both, spreads, unseen, unseen)


def test_slices_that_agree_give_the_middle() -> None:
    positions = np.arange(0, 30, 3.0)
    seen = a_survey(14.0 - positions, np.ones(10))
    assert middle_mm(seen, positions) == pytest.approx(14.0)


def test_slices_that_cannot_be_measured_have_no_say() -> None:
    positions = np.arange(0, 30, 3.0)
    measurable = (np.abs(positions - 14) < 8).astype(float)
    offsets = np.where(measurable > 0, 14.0 - positions, 40.0)
    assert middle_mm(a_survey(offsets, measurable), positions) == pytest.approx(14.0)


def test_an_unsure_jump_is_drawn_to_its_neighbours_and_sure_places_stay() -> None:
    values, sds = np.array([0.0, 1.0, 6.0, 3.0, 4.0]), np.array([0.2, 0.2, 4.0, 0.2, 0.2])
    course = smoothed(values, sds, 3.0)
    assert course[2] == pytest.approx(2.0, abs=0.5)
    assert course[[0, 1, 3, 4]] == pytest.approx(values[[0, 1, 3, 4]], abs=0.2)


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_slices_are_left_as_they_are(count: int) -> None:
    values = np.arange(count, dtype=float)
    assert smoothed(values, np.ones(count), 3.0) == pytest.approx(values)

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
    assert middle_mm([seen], positions) == pytest.approx(14.0)


def test_slices_that_cannot_be_measured_have_no_say() -> None:
    positions = np.arange(0, 30, 3.0)
    measurable = (np.abs(positions - 14) < 8).astype(float)
    offsets = np.where(measurable > 0, 14.0 - positions, 40.0)
    assert middle_mm([a_survey(offsets, measurable)], positions) == pytest.approx(14.0)


def test_networks_that_differ_meet_between_each_other() -> None:
    positions = np.arange(0, 30, 3.0)
    surveys = [a_survey(middle - positions, np.ones(10)) for middle in (13.0, 15.0, 16.0)]
    assert middle_mm(surveys, positions) == pytest.approx(15.0)


def on_a_line(values: list[float]) -> np.ndarray:
    """Places in millimetres of a landmark that moves along the rows only."""
    return np.stack([values, np.zeros(len(values))], axis=1)


def test_an_unsure_jump_is_drawn_to_its_neighbours_and_sure_places_stay() -> None:
    places, sds = on_a_line([0.0, 1.0, 6.0, 3.0, 4.0]), np.array([0.2, 0.2, 4.0, 0.2, 0.2])
    course = smoothed(places, sds, 3.0)
    assert course[2, 0] == pytest.approx(2.0, abs=0.5)
    assert course[[0, 1, 3, 4]] == pytest.approx(places[[0, 1, 3, 4]], abs=0.2)


def test_a_place_far_off_a_course_of_equal_sureness_hardly_draws_the_others() -> None:
    places = on_a_line([0.0, 0.2, 5.0, 0.1, 0.0])
    course = smoothed(places, np.full(5, 0.5), 3.0)
    assert np.abs(course[[0, 1, 3, 4], 0]).max() < 0.5


def test_the_course_does_not_depend_on_the_axes_of_the_picture() -> None:
    places = np.random.default_rng(3).normal(size=(5, 2)).cumsum(axis=0)
    sds = np.linspace(0.3, 0.9, 5)
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    assert smoothed(places @ turn, sds, 3.0) == pytest.approx(smoothed(places, sds, 3.0) @ turn)


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_slices_are_left_as_they_are(count: int) -> None:
    places = on_a_line(list(np.arange(count, dtype=float)))
    assert smoothed(places, np.ones(count), 3.0) == pytest.approx(places)

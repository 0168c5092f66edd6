"""The order of a reader study: everyone reads everything, in an order of their own."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.errors import UsageError
from meniscal_measure.reading_order import HIDDEN_PART, drawn_order
from meniscal_measure.review.reading_plan import Blinding, plan

SECRET = "kept in the store"
ORDER_OF_SEED_11 = [(2, 1), (5, 1), (1, 1), (3, 1), (0, 1), (5, 2), (4, 1), (2, 2)]


def names(count: int) -> list[str]:
    return [f"knee {number}" for number in range(count)]


def test_without_blinding_the_order_is_that_of_the_work_list() -> None:
    assert [(task.knee, task.round) for task in plan(names(3), "A", None, SECRET)] == [
        (0, 1),
        (1, 1),
        (2, 1),
    ]


@given(count=st.integers(4, 60), seed=st.integers(0, 1000), data=st.data())
def test_every_knee_is_read_once_and_the_repeats_a_second_time_later(
    count: int, seed: int, data: st.DataObject
) -> None:
    repeats = data.draw(st.integers(0, count // HIDDEN_PART))
    tasks = plan(names(count), "A", Blinding(seed, repeats), SECRET)

    first = {task.knee: place for place, task in enumerate(tasks) if task.round == 1}
    second = {task.knee: place for place, task in enumerate(tasks) if task.round == 2}
    assert sorted(first) == list(range(count))
    assert len(second) == repeats
    assert all(second[knee] - first[knee] > count // HIDDEN_PART for knee in second)
    assert max(Counter(task.task_id for task in tasks).values()) == 1


def test_the_plan_can_be_made_again_from_its_seed_and_differs_between_readers() -> None:
    knees, blinding = names(20), Blinding(7, 5)

    assert plan(knees, "A", blinding, SECRET) == plan(knees, "A", blinding, SECRET)
    orders = {
        tuple((task.knee, task.round) for task in plan(knees, reader, blinding, SECRET))
        for reader in "ABC"
    }
    assert len(orders) == 3


def test_an_order_that_was_drawn_already_is_kept() -> None:
    tasks = plan(names(9), "A", Blinding(seed=None), SECRET)

    assert [task.knee for task in tasks] == list(range(9))
    with pytest.raises(UsageError, match=r"Repeats cannot be hidden"):
        plan(names(9), "A", Blinding(seed=None, repeats=1), SECRET)


def test_the_names_of_tasks_cannot_be_made_without_the_secret_of_the_store() -> None:
    ids = {task.task_id for task in plan(names(5), "A", None, SECRET)}

    assert ids.isdisjoint(task.task_id for task in plan(names(5), "A", None, "another"))


def test_more_repeats_than_fit_are_refused() -> None:
    with pytest.raises(UsageError, match=r"3 of 8 knees cannot be repeated .* at most 2"):
        plan(names(8), "A", Blinding(1, 3), SECRET)


def test_the_order_of_a_seed_stays_the_same_for_ever() -> None:
    """Written down once, so that no later version can change a study that is under way."""
    assert drawn_order(6, 2, seed=11, reader="A") == ORDER_OF_SEED_11

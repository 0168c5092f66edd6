"""What a person calls a slice leads to it, or to words on how to call it."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from meniscal_measure.errors import UsageError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.find_slice import find_slice
from meniscal_measure.series.model import Stack
from meniscal_measure.workshop.training.worlds import as_stack

COUNT = 10


@pytest.fixture
def stack() -> Stack:
    """Ten coronal slices whose Instance Numbers run from back to front, from 30 down."""
    grids = [
        PixelGrid((0, 3.0 * i, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 8, 8) for i in range(COUNT)
    ]
    plain = as_stack(Path("none.dcm"), grids)
    frames = tuple(
        replace(frame, sop_instance_uid=f"1.2.{i}", instance_number=30 - i)
        for i, frame in enumerate(plain.frames)
    )
    return replace(plain, frames=frames)


@pytest.mark.parametrize(
    ("called", "index"),
    [("1", 0), ("10", 9), ("instance:30", 0), (" Instance:24 ", 6), ("1.2.7", 7)],
)
def test_a_slice_is_found_by_place_instance_number_or_uid(
    stack: Stack, called: str, index: int
) -> None:
    assert find_slice(stack, called) == index


@pytest.mark.parametrize("called", ["0", "11", "instance:7", "1.2.99"])
def test_a_slice_that_is_not_there_is_refused_with_those_that_are(
    stack: Stack, called: str
) -> None:
    words = (
        f"No slice of the series is called {called}. It has slices 1 to 10, counted from the"
        " front and Instance Numbers 21 to 30. Give one of these."
    )
    with pytest.raises(UsageError, match=re.escape(words)):
        find_slice(stack, called)


@pytest.mark.parametrize(
    "called",
    ["seven", "instance:", "-1", "2.5e3", "", "1" * 5000, "instance:" + "1" * 5000],
    ids=lambda called: called[:20],
)
def test_what_names_no_slice_is_refused_with_the_ways_to_name_one(
    stack: Stack, called: str
) -> None:
    with pytest.raises(UsageError, match=re.escape("Write 17 for the 17th slice from the front")):
        find_slice(stack, called)


def test_a_name_that_fits_several_slices_is_refused(stack: Stack) -> None:
    frames = tuple(replace(frame, instance_number=5) for frame in stack.frames)
    with pytest.raises(UsageError, match="10 slices of the series are called instance:5"):
        find_slice(replace(stack, frames=frames), "instance:5")

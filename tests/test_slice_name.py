"""A slice has one name for people, whichever way its stack is stored."""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.slice_name import SliceName, runs_from_front, slice_name


@dataclass(frozen=True)
class Plane:
    grid: PixelGrid
    instance_number: int | None = None
    frame_index: int | None = None


def coronal(y_mm: float, *, backward: bool = False) -> PixelGrid:
    """Plane of a coronal slice; LPS, so that the patient's front has the smaller y."""
    rows_run = (0.0, 0.0, 1.0) if backward else (0.0, 0.0, -1.0)
    return PixelGrid((0.0, y_mm, 0.0), (1.0, 0.0, 0.0), rows_run, 1.0, 1.0, 8, 8)


def stack(count: int, *, backward: bool = False, first_instance: int = 1) -> list[Plane]:
    """Order a stack along its own normal."""
    places = [3.0 * i for i in range(count)][:: -1 if backward else 1]
    return [Plane(coronal(y, backward=backward), first_instance + i) for i, y in enumerate(places)]


@given(count=st.integers(1, 40), data=st.data())
def test_the_first_slice_is_the_frontmost_however_the_stack_is_stored(
    count: int, data: st.DataObject
) -> None:
    index = data.draw(st.integers(0, count - 1))
    assert slice_name(stack(count), index).number == index + 1
    assert slice_name(stack(count, backward=True), index).number == count - index


def test_the_name_has_instance_number_and_place() -> None:
    assert str(slice_name(stack(24, first_instance=-9), 16)) == (
        "image 7 (Instance Number), slice 17 of 24 from the front"
    )


def test_without_instance_number_the_place_alone_names_it() -> None:
    assert str(slice_name([Plane(coronal(0.0))], 0)) == "slice 1 of 1 from the front"


def test_a_frame_of_a_multi_frame_image_is_named_as_one() -> None:
    frames = [Plane(coronal(3.0 * i), 5, frame_index=i) for i in range(4)]
    assert str(slice_name(frames, 2)) == (
        "frame 3 of image 5 (Instance Number), slice 3 of 4 from the front"
    )
    assert SliceName(3, 4, frame_number=3).short == "slice 3, frame 3"


@pytest.mark.parametrize(
    ("row", "column", "end"),
    [((1.0, 0, 0), (0, 1.0, 0), "the feet"), ((0, 1.0, 0), (0, 0, 1.0), "the right")],
    ids=["axial", "sagittal"],
)
def test_other_planes_are_counted_from_their_own_end(
    row: tuple[float, float, float], column: tuple[float, float, float], end: str
) -> None:
    frames = [Plane(PixelGrid((0.0, 0.0, 0.0), row, column, 1.0, 1.0, 8, 8))]
    assert slice_name(frames, 0).counted_from == end


def test_a_stack_that_runs_from_the_front_is_recognised() -> None:
    assert runs_from_front(stack(3))
    assert not runs_from_front(stack(3, backward=True))

"""Slices of a two-dimensional generator become stacks whose landmarks are the generator's."""

import math
from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.training import second
from meniscal_measure.workshop.training.second import PIXEL_MM, SLICES, Picture
from meniscal_measure.workshop.training.worlds import Known

LANDMARKS_MM = np.array(
    [[[-35.0, 0.0], [36.0, 1.0]], [[-37.0, 3.0], [40.0, 4.0]], [[-25.0, 2.0], [28.0, 3.0]]]
)


@pytest.fixture
def picture() -> Picture:
    return Picture(np.full((200, 220), 0.5, np.float32), LANDMARKS_MM)


@pytest.fixture
def known(picture: Picture, tmp_path: Path) -> Known:
    return Known.read(second.write(tmp_path, 1, picture))


def test_the_middle_slice_alone_has_landmarks_and_is_to_be_named(known: Known) -> None:
    assert known.named == SLICES // 2
    assert [bool(marks) for marks in known.truth["landmarks"]] == [False, False, True, False, False]


def test_extrusion_follows_from_the_generators_millimetres(known: Known) -> None:
    """The line of the rims runs from (-35, 0) to (36, 1) mm; the right edge lies 4, 3 mm beyond."""
    truth = known.true_points(SLICES // 2, Compartment.IMAGE_RIGHT)
    assert truth is not None
    points, axis, spacing = truth
    expected_mm = (4 * 71 + 3 * 1) / math.hypot(71, 1)
    assert float(((points[1] - points[0]) * spacing) @ axis) == pytest.approx(expected_mm)


def test_the_middle_slice_is_the_picture_itself_and_its_neighbours_are_not() -> None:
    picture = np.random.default_rng(0).random((60, 60)).astype(np.float32)
    stack = second.stacked(np.random.default_rng(1), picture)
    assert np.array_equal(stack[SLICES // 2], picture)
    assert all(not np.allclose(stack[i], picture) for i in (0, 1, 3, 4))


def test_a_landmark_beside_a_part_without_signal_is_cut_off(picture: Picture) -> None:
    assert second._is_whole(picture)
    column = int(109.5 + LANDMARKS_MM[1, 1, 0] / PIXEL_MM)
    dark = picture.pixels.copy()
    dark[:, column:] = 0
    assert not second._is_whole(Picture(dark, LANDMARKS_MM))


def test_the_rim_angle_of_the_generator_becomes_ours(tmp_path: Path) -> None:
    file = tmp_path / "generator.py"
    file.write_text("import math\nRIM = math.radians(35.0)\ndef rim(): return math.radians(35.0)\n")
    assert second.loaded(file).rim() == pytest.approx(math.radians(45))

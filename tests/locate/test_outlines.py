"""Landmarks read off outlines whose corners are known."""

import math

import numpy as np
import pytest

from meniscal_measure.locate import outlines
from meniscal_measure.locate.outlines import RIM_ANGLE_DEG

SIZE = 128
OUTWARD = np.array([1.0, 0.0])
WITHIN_PX = 0.8
"""A quarter of a millimetre in the frame: what the blur of the drawn outline leaves."""


def soft(distance_px: np.ndarray) -> np.ndarray:
    return np.asarray(1 / (1 + np.exp(2 * distance_px)), dtype=np.float32)


def rounded_tibia(radius: float, turn_deg: float = 0.0) -> np.ndarray:
    """Tibia whose rounded corner is centred on (80, 70)."""
    rows, columns = np.indices((SIZE, SIZE), dtype=float)
    angle = math.radians(turn_deg)
    out = (columns - 80) * math.cos(angle) + (rows - 70) * math.sin(angle)
    down = (rows - 70) * math.cos(angle) - (columns - 80) * math.sin(angle)
    corner = np.hypot(np.maximum(out, 0), np.maximum(-down, 0))
    return soft(corner + np.minimum(np.maximum(out, -down), 0) - radius)


@pytest.mark.parametrize("radius", [2.0, 6.0, 10.0])
def test_the_rim_lies_half_way_through_the_turn_of_the_corner(radius: float) -> None:
    angle = math.radians(RIM_ANGLE_DEG)
    expected = [80 + radius * math.cos(angle), 70 - radius * math.sin(angle)]
    found = outlines.rim(rounded_tibia(radius), np.array([82.0, 68.0]), OUTWARD)
    assert found == pytest.approx(expected, abs=WITHIN_PX)


def test_the_rim_turns_with_the_joint_line() -> None:
    turn = math.radians(12)
    angle = math.radians(RIM_ANGLE_DEG) - turn
    expected = [80 + 6 * math.cos(angle), 70 - 6 * math.sin(angle)]
    axis = np.array([math.cos(turn), math.sin(turn)])
    found = outlines.rim(rounded_tibia(6, turn_deg=12), np.array([82.0, 68.0]), axis)
    assert found == pytest.approx(expected, abs=WITHIN_PX)


def test_a_spur_beyond_the_window_is_left_out() -> None:
    tibia = rounded_tibia(4)
    tibia[95:100, 80:110] = 1
    found = outlines.rim(tibia, np.array([82.0, 68.0]), OUTWARD)
    assert found is not None
    assert found[0] < 86


def test_the_ends_are_those_of_the_body_next_to_the_edge_not_of_a_stray_patch() -> None:
    rows, columns = np.indices((SIZE, SIZE), dtype=float)
    wedge = soft(np.maximum(np.abs(rows - 60) - (columns - 40) / 4, columns - 90))
    wedge[100:104, 2:30] = 1
    ends = outlines.meniscal_ends(wedge, np.array([88.0, 60.0]), OUTWARD)
    assert ends is not None
    outer, inner = ends
    assert outer[0] == pytest.approx(90, abs=WITHIN_PX)
    assert 39 < inner[0] < 47


def test_without_meniscus_or_tibia_there_is_no_point() -> None:
    nothing = np.zeros((SIZE, SIZE), np.float32)
    assert outlines.meniscal_ends(nothing, np.array([60.0, 60.0]), OUTWARD) is None
    assert outlines.rim(nothing, np.array([60.0, 60.0]), OUTWARD) is None

"""Void condyles or a void plateau are told from marrow, whichever border was taken for the rims."""

import numpy as np
import pytest
from numpy.typing import NDArray

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate.bone import is_void

SIZE, JOINT_ROW = 160, 80
RIMS = np.array([[45.0, JOINT_ROW], [115.0, JOINT_ROW]])
GRID = PixelGrid((-80, 0, 80), (1, 0, 0), (0, 0, -1), 1.0, 1.0, SIZE, SIZE)


def a_knee(*, tray_mm: int = 0, condyles: float = 1.0) -> NDArray[np.float64]:
    """Draw marrow above and below the joint, with a tray below it and condyles of some signal."""
    picture = np.full((SIZE, SIZE), 500.0)
    picture[JOINT_ROW - 25 : JOINT_ROW - 3] *= condyles
    picture[JOINT_ROW : JOINT_ROW + tray_mm] = 10.0
    return picture


def test_marrow_is_not_void() -> None:
    assert not is_void(a_knee(), GRID, RIMS, upended=False)


@pytest.mark.parametrize("share", [0.6, 1.5])
def test_darker_or_brighter_condyles_are_not_void(share: float) -> None:
    assert not is_void(a_knee(condyles=share), GRID, RIMS, upended=False)


def test_a_tray_below_the_rims_is_void() -> None:
    assert is_void(a_knee(tray_mm=10), GRID, RIMS, upended=False)


def test_a_replacement_is_seen_by_its_condyles_where_its_tray_was_taken_for_bone() -> None:
    below_tray = RIMS + np.array([0, 10])
    picture = a_knee(tray_mm=10, condyles=0.04)
    assert is_void(picture, GRID, below_tray, upended=False)
    assert is_void(picture[::-1], GRID, [0, SIZE - 1] + below_tray * [1, -1], upended=True)

"""Surfaces of bones read off pictures in which they are known."""

import numpy as np
import pytest

from meniscal_measure.locate.plateau import ACROSS, notch_mm, roof_mm, spines_mm, surface_mm

LEFT, RIGHT = np.array([20.0, 100.0]), np.array([120.0, 100.0])
RIMS = np.stack([LEFT, RIGHT])
WITHIN_MM = 0.6


def drawn() -> tuple[np.ndarray, np.ndarray]:
    """Tibia with spines 8 and 11 mm high, femur 6 mm above with a notch 20 mm high."""
    rows, columns = np.indices((160, 160), dtype=float)
    height = 100.0 - rows
    spines = np.where(np.abs(columns - 60) < 4, 8.0, 0.0) + np.where(
        np.abs(columns - 80) < 4, 11.0, 0.0
    )
    inside = (columns > 10) & (columns < 130)
    tibia = inside & (height < spines)
    roof = np.where(np.abs(columns - 70) < 8, 26.0, 6.0)
    femur = inside & (height > roof) & (height < 70)
    return tibia.astype(float), femur.astype(float)


def test_spines_stand_as_high_as_they_were_drawn() -> None:
    tibia, _ = drawn()
    assert spines_mm(surface_mm(tibia, RIMS, 1.0)[None])[0] == pytest.approx([8, 11], abs=WITHIN_MM)


def test_the_notch_is_as_high_as_it_was_drawn() -> None:
    _, femur = drawn()
    assert notch_mm(roof_mm(femur, RIMS, 1.0)[None])[0] == pytest.approx(20, abs=WITHIN_MM)


def test_an_open_notch_has_no_height() -> None:
    _, femur = drawn()
    femur[:, 60:80] = 0
    assert np.isnan(notch_mm(roof_mm(femur, RIMS, 1.0)[None])[0])


def test_heights_are_those_over_a_tilted_line_of_the_rims_too() -> None:
    rows, columns = np.indices((160, 160), dtype=float)
    line = 100 + 0.1 * (columns - 20)
    tilted = np.array([[20.0, 100.0], [120.0, 110.0]])
    surface = surface_mm((rows > line - 3).astype(float), tilted, 1.0)
    assert surface[5:-5] == pytest.approx(3, abs=WITHIN_MM)


def test_where_there_is_no_bone_nothing_is_said() -> None:
    nothing = np.zeros((160, 160))
    assert np.isnan(surface_mm(nothing, RIMS, 1.0)).all()
    assert np.isnan(spines_mm(np.full((2, len(ACROSS)), np.nan))).all()

"""Frames resample exactly: the way back is a scale and a shift."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate.frames import CEILING, ViewFrame, normalised, with_neighbours

ROUNDING_PX = 1e-9


def grid(spacing_mm: float = 0.5, rows: int = 60, columns: int = 80) -> PixelGrid:
    return PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), spacing_mm, spacing_mm, rows, columns)


@given(
    point=st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    mirrored=st.booleans(),
    upended=st.booleans(),
    pixel_mm=st.floats(0.2, 1.5),
)
def test_frame_and_slice_coordinates_are_inverse(
    point: tuple[float, float], mirrored: bool, upended: bool, pixel_mm: float
) -> None:
    frame = ViewFrame((31.5, 20.25), pixel_mm, 32, mirrored, upended)
    back = frame.to_frame(frame.to_slice(np.array(point), grid()), grid())
    assert back == pytest.approx(point, abs=ROUNDING_PX)


@pytest.mark.parametrize(("mirrored", "upended"), [(False, False), (True, False), (False, True)])
def test_a_ramp_seen_through_a_frame_keeps_its_values(mirrored: bool, upended: bool) -> None:
    rows, columns = np.indices((60, 80))
    ramp = 3.0 * columns + 2.0 * rows
    frame = ViewFrame((40.3, 30.7), 0.3, 32, mirrored, upended)
    seen = frame.resample(ramp, grid())
    places = frame.to_slice(np.moveaxis(np.indices((32, 32))[::-1].astype(float), 0, -1), grid())
    assert seen == pytest.approx(3 * places[..., 0] + 2 * places[..., 1], rel=1e-4)


def test_coarse_frames_average_so_that_fine_stripes_do_not_alias() -> None:
    stripes = np.tile([0.0, 1.0], (60, 40))
    seen = ViewFrame((40, 30), 1.0, 16).resample(stripes, grid())
    assert seen == pytest.approx(0.5, abs=0.01)


def test_what_lies_off_the_slice_is_black() -> None:
    seen = ViewFrame((0, 0), 0.5, 40).resample(np.ones((60, 80)), grid())
    assert seen[:15, :].max() == 0
    assert seen[25:, 25:].min() == pytest.approx(1)


def test_grey_levels_are_scaled_to_the_bright_end_whatever_the_scanner_wrote() -> None:
    window = np.random.default_rng(0).random((3, 32, 32)).astype(np.float32)
    assert normalised(window * 700) == pytest.approx(normalised(window), rel=1e-5)
    assert normalised(window).max() <= CEILING


def test_the_outermost_slice_stands_for_its_missing_neighbour() -> None:
    slices = [np.full((2, 2), value, np.float32) for value in range(3)]
    assert with_neighbours(slices, 0)[:, 0, 0].tolist() == [0, 0, 1]
    assert with_neighbours(slices, 2)[:, 0, 0].tolist() == [1, 2, 2]

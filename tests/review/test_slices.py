"""Slices arrive at the page as they were stored, and cut lines where the planes meet."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.review.page_files import HEADER, MAX_CODE, encode_slice
from meniscal_measure.review.side_planes import cut_line

ON_PLANE_MM = 1e-9
ON_BORDER_PX = 1e-9


def decoded(content: bytes) -> FloatArray:
    low, step, rows, columns = HEADER.unpack_from(content)
    codes = np.frombuffer(content, "<u2", offset=HEADER.size).reshape(rows, columns)
    return np.asarray(low + step * codes, dtype=np.float64)


@given(arrays(np.float32, (3, 4), elements=st.integers(-1000, 60000)))
def test_whole_grey_values_arrive_exactly(
    image: NDArray[np.float32],
) -> None:
    np.testing.assert_array_equal(decoded(encode_slice(image)), image)


@given(arrays(np.float32, (3, 4), elements=st.floats(-1e4, 1e4, width=32)))
def test_other_grey_values_arrive_to_a_fraction_of_their_span(
    image: NDArray[np.float32],
) -> None:
    span = float(image.max()) - float(image.min())

    np.testing.assert_allclose(decoded(encode_slice(image)), image, atol=span / MAX_CODE + 1e-12)


def test_values_that_are_no_numbers_are_shown_black() -> None:
    image = np.array([[np.nan, 5.0], [np.inf, 9.0]], dtype=np.float32)

    assert decoded(encode_slice(image)).tolist() == [[5.0, 5.0], [5.0, 9.0]]


def sagittal(x_mm: float = 0.0) -> PixelGrid:
    """Columns run to posterior, rows to the feet."""
    return PixelGrid((x_mm, -80.0, 60.0), (0, 1, 0), (0, 0, -1), 0.5, 0.4, 256, 320)


def coronal(y_mm: float, tilt: float = 0.0) -> PixelGrid:
    down = (0.0, float(np.sin(tilt)), -float(np.cos(tilt)))
    return PixelGrid((-70.0, y_mm, 60.0), (1, 0, 0), down, 0.5, 0.5, 256, 256)


@given(y_mm=st.floats(-75, 40), tilt=st.floats(-0.4, 0.4))
def test_both_ends_of_a_cut_lie_on_the_plane_and_on_the_border(y_mm: float, tilt: float) -> None:
    image, plane = sagittal(), coronal(y_mm, tilt)
    cut = cut_line(image, plane)
    if cut is None:
        return
    ends = np.array(cut)
    assert np.abs(plane.off_plane_mm(image.to_patient(ends))).max() < ON_PLANE_MM
    borders = np.array([[-0.5, image.columns - 0.5], [-0.5, image.rows - 0.5]])
    for end in ends:
        assert np.abs(borders - end[:, None]).min() < ON_BORDER_PX
        assert image.contains(end.tolist()) or np.abs(borders - end[:, None]).min() < ON_BORDER_PX


def test_an_upright_coronal_slice_cuts_a_sagittal_one_in_an_upright_line() -> None:
    # By hand: y = -80 + 0.4 column, so y = 0 at column 200, from the first row to the last.
    cut = cut_line(sagittal(), coronal(0.0))

    assert cut is not None
    upper, lower = sorted(cut, key=lambda end: end[1])
    assert upper == pytest.approx((200.0, -0.5))
    assert lower == pytest.approx((200.0, 255.5))


@pytest.mark.parametrize("plane", [coronal(500.0), sagittal(3.0)])
def test_planes_that_do_not_meet_on_the_image_leave_no_line(plane: PixelGrid) -> None:
    assert cut_line(sagittal(), plane) is None

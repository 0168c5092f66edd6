from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.report.window import display_window


def tissue_and_air(rng: np.random.Generator) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    image = rng.rayleigh(4.0, (200, 200))
    image[:, 80:160] = rng.uniform(100, 600, (200, 80))
    return image


def test_the_window_spans_the_tissue_and_not_the_air() -> None:
    low, high = display_window(tissue_and_air(np.random.default_rng(1)))
    assert 90 < low < 120
    assert 580 < high < 600


def test_a_few_very_bright_pixels_do_not_darken_the_picture() -> None:
    image = tissue_and_air(np.random.default_rng(1))
    plain = display_window(image)
    image[:4, :4] = 60_000
    assert display_window(image) == pytest.approx(plain, rel=0.02)


def test_values_that_are_not_finite_are_ignored() -> None:
    image = tissue_and_air(np.random.default_rng(1))
    plain = display_window(image)
    image[0, 0], image[0, 1] = np.nan, np.inf
    assert display_window(image) == pytest.approx(plain, rel=0.01)


@pytest.mark.parametrize("value", [0.0, 7.0, -3.0])
def test_an_even_image_still_gives_a_window(value: float) -> None:
    low, high = display_window(np.full((8, 8), value))
    assert low == value < high


def test_an_image_without_any_number_still_gives_a_window() -> None:
    assert display_window(np.full((2, 2), np.nan)) == (0.0, 1.0)


@given(scale=st.floats(0.01, 1000), offset=st.floats(-500, 500))
def test_the_window_follows_a_rescaling_of_the_grey_values(scale: float, offset: float) -> None:
    image = np.random.default_rng(2).uniform(0, 100, (40, 40))
    low, high = display_window(image)
    scaled = display_window(scale * image + offset)
    # one pixel may change sides of the background limit by rounding
    assert scaled == pytest.approx((scale * low + offset, scale * high + offset), abs=0.5 * scale)

"""The fit of a blurred step to few pixels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from meniscal_measure.caliper.blurred_step import (
    PARAMETER_COUNT,
    BlurredStep,
    WindowPixels,
    durbin_watson,
    fit_step,
    strongest_step,
)

TRUE_STEP = BlurredStep(position_mm=0.1, slope=0.2, blur_mm=0.4, base=50.0, height=-30.0)


def window(noise: float, seed: int = 0) -> WindowPixels:
    along_mm, across_mm = (
        axis.ravel() for axis in np.meshgrid(np.arange(-2, 2.5, 0.5), [-0.5, 0.5])
    )
    scatter = np.random.default_rng(seed).normal(0, 1, along_mm.size) * noise
    return WindowPixels(along_mm, across_mm, TRUE_STEP.values(along_mm, across_mm) + scatter)


def test_all_parameters_are_recovered() -> None:
    start = BlurredStep(0.0, 0.0, 0.3, 40.0, -10.0)
    step = fit_step(window(0.0), start, (0.1, 1.0)).step
    for name in ("position_mm", "slope", "blur_mm", "base", "height"):
        assert getattr(step, name) == pytest.approx(getattr(TRUE_STEP, name), rel=1e-4)


def test_a_step_without_any_noise_has_no_end_of_contrast() -> None:
    """Its numbers are powers of two, so that nothing is left over by rounding either."""
    sharp = BlurredStep(position_mm=0.0, slope=0.0, blur_mm=0.0625, base=0.0, height=64.0)
    along_mm, across_mm = (axis.ravel() for axis in np.meshgrid(np.arange(-4.0, 5.0), [0.0, 0.5]))
    pixels = WindowPixels(along_mm, across_mm, sharp.values(along_mm, across_mm))
    fit = fit_step(pixels, sharp, (0.03125, 1.0))
    assert math.isinf(fit.contrast_to_noise)
    assert fit.position_sd_mm == 0


def test_noise_is_estimated_on_the_degrees_of_freedom_that_are_left() -> None:
    # 18 pixels, 5 parameters: forgetting them would make the noise 15 % too small.
    fits = [fit_step(window(1.0, seed), TRUE_STEP, (0.1, 1.0)) for seed in range(200)]
    noise = [abs(fit.step.height) / fit.contrast_to_noise for fit in fits]
    assert PARAMETER_COUNT == 5
    assert math.sqrt(np.mean(np.square(noise))) == pytest.approx(1.0, abs=0.06)


def test_a_step_rises_from_its_base_by_its_height_where_it_crosses_the_line() -> None:
    """Outside check: SciPy's normal distribution, at places worked out by hand."""
    step = BlurredStep(position_mm=0.5, slope=0.25, blur_mm=0.4, base=20.0, height=100.0)
    along_mm, across_mm = np.array([-9.0, 0.5, 1.0, 0.9, 9.0]), np.array([0.0, 0.0, 2.0, 0.0, 0.0])
    shares = [0.0, 0.5, 0.5, norm.cdf(1.0), 1.0]
    assert step.values(along_mm, across_mm) == pytest.approx([20 + 100 * part for part in shares])


def test_pixels_exactly_at_the_end_of_the_window_belong_to_it() -> None:
    places = np.array([-0.6, -0.5, 0.0, 1.5, 1.6])
    near = WindowPixels(places, 0 * places, 10 * places).near(0.5, 1.0)
    assert near.along_mm.tolist() == [-0.5, 0.0, 1.5]
    assert near.values.tolist() == [-5.0, 0.0, 15.0]


def test_an_edge_steeper_than_45_degrees_against_the_line_is_not_followed() -> None:
    steep = BlurredStep(position_mm=0.0, slope=1.3, blur_mm=0.4, base=0.0, height=100.0)
    along_mm, across_mm = (
        axis.ravel() for axis in np.meshgrid(np.arange(-2, 2.5, 0.5), [-0.5, 0.0, 0.5])
    )
    pixels = WindowPixels(along_mm, across_mm, steep.values(along_mm, across_mm))
    assert fit_step(pixels, steep, (0.1, 1.0)).step.slope == pytest.approx(1.0, abs=1e-3)


def test_the_strongest_of_two_steps_is_found_and_not_the_first() -> None:
    weak = BlurredStep(position_mm=-1.0, slope=0.0, blur_mm=0.2, base=0.0, height=20.0)
    strong = BlurredStep(position_mm=1.0, slope=0.0, blur_mm=0.2, base=0.0, height=-100.0)
    along_mm = np.linspace(-4, 4, 81)
    values = weak.values(along_mm, 0 * along_mm) + strong.values(along_mm, 0 * along_mm)
    pixels = WindowPixels(along_mm, 0 * along_mm, values)
    found = strongest_step(pixels, 1.5, half_length_mm=1.0, blur_mm=0.2)
    assert found.position_mm == pytest.approx(1.0, abs=0.06)
    assert found.height == pytest.approx(-100.0, rel=0.1)


def test_the_search_tries_both_ends_of_its_range() -> None:
    for end_mm in (-1.5, 1.5):
        step = BlurredStep(position_mm=end_mm, slope=0.0, blur_mm=0.2, base=5.0, height=50.0)
        along_mm = np.linspace(-4, 4, 81)
        pixels = WindowPixels(along_mm, 0 * along_mm, step.values(along_mm, 0 * along_mm))
        found = strongest_step(pixels, 1.5, half_length_mm=1.0, blur_mm=0.2)
        assert found.position_mm == pytest.approx(end_mm)
        assert (found.base, found.height) == pytest.approx((5.0, 50.0))


@pytest.mark.parametrize(
    ("residuals", "statistic"),
    [([1, -1, 1, -1], 3.0), ([1, 1, 1, 1], 0.0), ([1, 1, -1, -1], 1.0), ([0, 0, 0], 2.0)],
)
def test_serial_correlation_of_residuals(residuals: list[float], statistic: float) -> None:
    """Durbin and Watson 1950: squared differences of neighbours over squared residuals."""
    assert durbin_watson(np.array(residuals, dtype=np.float64)) == pytest.approx(statistic)


def test_a_perfect_fit_has_no_noise_and_infinite_contrast() -> None:
    flat = np.zeros(18)
    pixels = WindowPixels(np.arange(18.0), flat, np.where(np.arange(18) > 8, 1.0, 0.0))
    start = BlurredStep(8.5, 0.0, 0.1, 0.0, 1.0)
    fit = fit_step(pixels, start, (0.05, 0.2))
    assert fit.contrast_to_noise > 1e6
    assert fit.step.position_mm == pytest.approx(8.5, abs=0.4)


def test_a_place_that_no_pixel_rises_at_is_never_the_strongest() -> None:
    along_mm = np.linspace(-4.0, -1.0, 31)
    pixels = WindowPixels(along_mm, 0 * along_mm, 50.0 + np.cos(np.pi * np.arange(31)))
    found = strongest_step(pixels, 1.5, half_length_mm=4.0, blur_mm=0.05)
    assert found.height != 0


def test_of_two_equal_steps_the_one_with_more_pixels_on_both_sides_is_stronger() -> None:
    along_mm = np.linspace(-3.0, 1.7, 95)
    both = (along_mm > 0).astype(np.float64) + (along_mm > 1.5)
    pixels = WindowPixels(along_mm, 0 * along_mm, 100 * both + np.cos(np.pi * np.arange(95)))
    found = strongest_step(pixels, 1.5, half_length_mm=1.0, blur_mm=0.1)
    assert found.position_mm == pytest.approx(0.0, abs=0.06)

"""The fit of a blurred step to few pixels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meniscal_measure.caliper.blurred_step import (
    PARAMETER_COUNT,
    BlurredStep,
    WindowPixels,
    fit_step,
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


def test_noise_is_estimated_on_the_degrees_of_freedom_that_are_left() -> None:
    # 18 pixels, 5 parameters: forgetting them would make the noise 15 % too small.
    fits = [fit_step(window(1.0, seed), TRUE_STEP, (0.1, 1.0)) for seed in range(200)]
    noise = [abs(fit.step.height) / fit.contrast_to_noise for fit in fits]
    assert PARAMETER_COUNT == 5
    assert math.sqrt(np.mean(np.square(noise))) == pytest.approx(1.0, abs=0.06)

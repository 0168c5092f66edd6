"""Noise against the published moments of the Rician law; coils against their design."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from meniscal_measure.workshop.knees.scanner.kspace import ComplexArray, window
from meniscal_measure.workshop.knees.scanner.receive import (
    Coil,
    coil_noise,
    root_sum_of_squares,
    sensitivities,
)

SIZE = (256, 256)
SD = 7.0


def noise(
    elements: int = 1, acquired: tuple[int, int] = SIZE, strength: float = 0.0
) -> ComplexArray:
    rng = np.random.default_rng(5)
    return coil_noise(rng, SD, elements=elements, shown=SIZE, weights=window(acquired, strength))


def test_background_has_the_moments_of_the_rayleigh_law() -> None:
    """Mean sqrt(pi/2) s and sd sqrt(2 - pi/2) s: Gudbjartsson and Patz, MRM 1995;34:910-914."""
    background = root_sum_of_squares(noise())
    assert background.mean() == pytest.approx(np.sqrt(np.pi / 2) * SD, rel=0.01)
    assert background.std() == pytest.approx(np.sqrt(2 - np.pi / 2) * SD, rel=0.01)


@pytest.mark.parametrize("snr", [0.0, 1.0, 3.0, 20.0])
def test_magnitudes_follow_the_rician_law(snr: float) -> None:
    """Kolmogorov-Smirnov distance to scipy.stats.rice on 65,536 pixels."""
    magnitude = root_sum_of_squares(noise() + snr * SD).ravel()
    distance = stats.kstest(magnitude, stats.rice(snr, scale=SD).cdf).statistic
    assert distance < 0.01


def test_background_of_several_coils_follows_the_chi_law() -> None:
    """Root sum of squares of n channels: chi with 2n degrees of freedom (scipy.stats.chi)."""
    background = root_sum_of_squares(noise(elements=4)).ravel()
    assert stats.kstest(background, stats.chi(8, scale=SD).cdf).statistic < 0.01


def test_zero_filling_correlates_neighbours_and_keeps_the_channel_noise() -> None:
    filled = noise(acquired=(128, 256))[0]
    assert noise(acquired=(128, 256), strength=0.8)[0].real.std() == pytest.approx(SD, rel=0.02)
    assert filled.real.std() == pytest.approx(SD, rel=0.02)
    neighbours = np.corrcoef(filled.real[:-1].ravel(), filled.real[1:].ravel())[0, 1]
    assert neighbours == pytest.approx(np.sinc(0.5), abs=0.02)


def test_the_noise_of_a_seed_is_always_the_same() -> None:
    np.testing.assert_array_equal(noise(2), noise(2))


@pytest.mark.parametrize("elements", [1, 4, 8])
def test_the_coil_is_calibrated_in_its_middle(elements: int) -> None:
    maps = sensitivities(np.zeros((1, 3)), Coil(elements=elements, falloff=1.0))
    assert root_sum_of_squares(maps)[0] == pytest.approx(1.0)


def test_a_coil_without_falloff_is_even() -> None:
    points = np.random.default_rng(1).uniform(-80, 80, (50, 3))
    combined = root_sum_of_squares(sensitivities(points, Coil(elements=6, falloff=0.0)))
    np.testing.assert_allclose(combined, 1.0)


def test_a_coil_is_most_sensitive_near_its_elements() -> None:
    points = np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 0.0], [85.0, 0.0, 0.0]])
    combined = root_sum_of_squares(sensitivities(points, Coil(elements=8, falloff=1.0)))
    assert combined[0] < combined[1] < combined[2]

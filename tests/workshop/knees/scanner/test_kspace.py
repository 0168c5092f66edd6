"""Fourier encoding against the closed forms of signal theory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import diric

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.scanner.kspace import (
    Motion,
    encode,
    reconstruct,
    shifted,
    window,
    with_motion,
)

FINE = 3
SHOWN = (48, 64)

GIBBS_OVERSHOOT = 0.0894899
"""Overshoot of a truncated unit step: Si(pi)/pi - 1/2 (Gibbs 1899; quoted from memory)."""


def fine_point(row: int, column: int) -> FloatArray:
    """A point of unit mean signal in the middle of one shown pixel."""
    image = np.zeros((SHOWN[0] * FINE, SHOWN[1] * FINE))
    image[row * FINE + FINE // 2, column * FINE + FINE // 2] = FINE * FINE
    return image


def blob(row: float, column: float, *, fine: int = FINE, sd: float = 3.0) -> FloatArray:
    """A smooth spot whose centre is at a shown pixel coordinate."""
    rows, columns = ((np.arange(size * fine) + 0.5) / fine - 0.5 for size in SHOWN)
    distance = (rows[:, np.newaxis] - row) ** 2 + (columns - column) ** 2
    return np.asarray(np.exp(-distance / (2 * sd**2)))


@pytest.mark.parametrize("acquired", [(47, 63), (31, 63), (31, 41)])
def test_a_point_becomes_the_dirichlet_kernel_of_the_acquired_matrix(
    acquired: tuple[int, int],
) -> None:
    """Point spread of N encodings: sin(N x / 2) / (N sin(x / 2)), scipy.special.diric."""
    kspace = encode(fine_point(20, 30), shown=SHOWN, acquired=acquired)
    image = reconstruct(kspace, SHOWN)
    x = 2 * np.pi * (np.arange(SHOWN[0]) - 20) / SHOWN[0]
    y = 2 * np.pi * (np.arange(SHOWN[1]) - 30) / SHOWN[1]
    expected = np.outer(acquired[0] * diric(x, acquired[0]), acquired[1] * diric(y, acquired[1]))
    np.testing.assert_allclose(image, expected / (SHOWN[0] * SHOWN[1]), atol=1e-14)


def test_a_truncated_step_overshoots_by_the_gibbs_constant() -> None:
    rows, columns = 8, 1024
    step = np.zeros((rows, columns))
    step[:, columns // 4 : 3 * columns // 4] = 1.0
    kspace = encode(step, shown=(rows, columns), acquired=(rows, 129))
    profile = reconstruct(kspace, (rows, columns)).real[0]
    assert profile.max() - 1 == pytest.approx(GIBBS_OVERSHOOT, abs=2e-3)


@pytest.mark.parametrize(("strength", "overshoot"), [(0.92, 0.01), (1.0, 0.01)])
def test_a_window_all_but_removes_the_overshoot(strength: float, overshoot: float) -> None:
    """Highest side lobes of Hamming -43 dB and Hann -32 dB (Harris 1978; quoted from memory)."""
    step = np.zeros((8, 1024))
    step[:, 256:768] = 1.0
    kspace = encode(step, shown=(8, 1024), acquired=(8, 129)) * window((8, 129), strength)
    assert reconstruct(kspace, (8, 1024)).real.max() - 1 < overshoot


def test_a_hann_window_spreads_a_point_over_half_a_pixel_more_on_each_side() -> None:
    """Its kernel is a quarter, a half and a quarter of neighbouring Dirichlet kernels."""
    size = (1, 64)
    point = np.zeros(size)
    point[0, 30] = 1.0
    image = reconstruct(encode(point, shown=size, acquired=size) * window(size, 1.0), size).real
    np.testing.assert_allclose(image[0, 28:33], [0, 0.25, 0.5, 0.25, 0], atol=1e-12)


@pytest.mark.parametrize("fine", [1, 2, 3, 4])
def test_a_smooth_object_keeps_its_place_and_its_signal(fine: int) -> None:
    kspace = encode(blob(20.3, 31.7, fine=fine), shown=SHOWN, acquired=SHOWN)
    np.testing.assert_allclose(reconstruct(kspace, SHOWN).real, blob(20.3, 31.7, fine=1), atol=1e-6)


@given(by_px=st.floats(-4, 4))
def test_a_shift_moves_the_object_by_that_many_pixels(by_px: float) -> None:
    kspace = encode(blob(20.0, 31.0), shown=SHOWN, acquired=SHOWN)
    moved = reconstruct(shifted(kspace, axis=1, by_px=by_px, shown=SHOWN[1]), SHOWN)
    np.testing.assert_allclose(moved.real, blob(20.0, 31.0 + by_px, fine=1), atol=1e-6)


def test_periodic_motion_puts_ghosts_a_whole_fraction_of_the_rows_away() -> None:
    """The sidebands of a phase of period p lines lie rows / p apart."""
    kspace = encode(blob(24.0, 31.0, sd=1.2), shown=SHOWN, acquired=SHOWN)
    moving = with_motion(kspace, Motion(0.8, period_lines=4), field_of_view_mm=SHOWN[0])
    added = np.abs(reconstruct(moving, SHOWN) - reconstruct(kspace, SHOWN)).max(axis=1)
    ghosts = added[[24 - 12 - 1, 24 - 12 + 1, 24 + 12 - 1, 24 + 12 + 1]]
    between = added[[24 - 18, 24 + 18]]
    assert ghosts.min() > 50 * between.max()


def test_motion_of_no_amplitude_changes_nothing() -> None:
    kspace = encode(blob(24.0, 31.0), shown=SHOWN, acquired=(40, 64))
    np.testing.assert_array_equal(
        with_motion(kspace, Motion(0.0, 7), field_of_view_mm=SHOWN[0]), kspace
    )

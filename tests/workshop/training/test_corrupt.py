"""Faults of images change grey values and move no landmark."""

import numpy as np
import pytest
from numpy.typing import NDArray

from meniscal_measure.workshop.training.corrupt import CORRUPTIONS, corrupted


def a_stack() -> NDArray[np.float64]:
    """Draw a bright disc on a grey ground."""
    rows, columns = np.indices((64, 80))
    disc = np.hypot(rows - 30, columns - 44) < 12
    return np.stack([200.0 + 600 * disc] * 3)


@pytest.mark.parametrize("name", CORRUPTIONS)
def test_it_changes_the_picture_but_not_its_size(name: str) -> None:
    corrupted = CORRUPTIONS[name](np.random.default_rng(1), a_stack())
    assert corrupted.shape == a_stack().shape
    assert corrupted.min() >= 0
    assert not np.allclose(corrupted, a_stack())


@pytest.mark.parametrize("name", sorted(CORRUPTIONS.keys() - {"shaded"}))
def test_a_disc_stays_where_it_was(name: str) -> None:
    """Shading moves the centre of gravity of grey values, not the disc, and is left out."""
    corrupted = CORRUPTIONS[name](np.random.default_rng(1), a_stack()).mean(axis=0)
    bright = corrupted > (np.quantile(corrupted, 0.05) + np.quantile(corrupted, 0.99)) / 2
    rows, columns = np.nonzero(bright)
    assert (np.median(rows), np.median(columns)) == pytest.approx((30, 44), abs=0.5)


def test_eight_bits_hold_256_values() -> None:
    corrupted = CORRUPTIONS["8-bit"](np.random.default_rng(3), a_stack())
    assert set(np.unique(corrupted)) <= set(range(256))


def test_the_same_seed_gives_the_same_fault() -> None:
    (one, first), (other, second) = (
        corrupted(np.random.default_rng(5), a_stack()) for _ in range(2)
    )
    assert one == other
    assert np.array_equal(first, second)

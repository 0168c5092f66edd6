"""Faults of real images laid over made ones, so that accuracy is also known where images are poor.

The pixels move nowhere: the landmarks of the stack stay true.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom

Images = NDArray[np.floating[Any]]
Corruption = Callable[[np.random.Generator, Images], Images]


def shaded(rng: np.random.Generator, pixels: Images) -> Images:
    """Shade the image as a surface coil does, to a fifth or less on the far side."""
    rows, columns = np.indices(pixels.shape[1:])
    turn, depth = rng.uniform(0, 2 * np.pi), rng.uniform(1.0, 2.2)
    along = columns * np.cos(turn) + rows * np.sin(turn)
    share = (along - along.min()) / np.ptp(along)
    return np.asarray(pixels * np.exp(-depth * share))


def noisy(rng: np.random.Generator, pixels: Images) -> Images:
    """Add noise of a magnitude image, a tenth or more of the bright end."""
    sd = rng.uniform(0.06, 0.14) * float(np.quantile(pixels, 0.985))
    real, imaginary = rng.normal(0, sd, (2, *pixels.shape))
    return np.asarray(np.hypot(pixels + real, imaginary))


def eight_bit(rng: np.random.Generator, pixels: Images) -> Images:
    """Window the image hard and store it in 8 bits, as exported images are."""
    low, high = np.quantile(pixels, [rng.uniform(0, 0.1), rng.uniform(0.93, 0.99)])
    return np.asarray(np.round(np.clip((pixels - low) / (high - low), 0, 1) * 255))


def sharpened(rng: np.random.Generator, pixels: Images) -> Images:
    """Sharpen edges as a scanner's filter does, with bright and dark borders."""
    smooth = gaussian_filter(pixels, (0, 1.2, 1.2))
    return np.asarray(np.clip(pixels + rng.uniform(0.6, 1.5) * (pixels - smooth), 0, None))


def coarse(rng: np.random.Generator, pixels: Images) -> Images:
    """Acquire half of the matrix and interpolate it back."""
    share = rng.uniform(0.4, 0.6, 2)
    rows, columns = pixels.shape[1:]
    small = gaussian_filter(pixels, (0, *(0.4 / share)))
    small = zoom(small, (1, *share), order=1, grid_mode=True, mode="nearest")
    back = (1, rows / small.shape[1], columns / small.shape[2])
    return np.asarray(np.clip(zoom(small, back, order=3, grid_mode=True, mode="nearest"), 0, None))


def ghosted(rng: np.random.Generator, pixels: Images) -> Images:
    """Lay faint displaced copies over the image, as motion does along the phase direction."""
    by, axis = int(rng.integers(12, 60)), int(rng.integers(1, 3))
    copies = np.roll(pixels, by, axis) + np.roll(pixels, -by, axis)
    return np.asarray(pixels + rng.uniform(0.06, 0.18) * copies)


CORRUPTIONS: dict[str, Corruption] = {
    "shaded": shaded,
    "noisy": noisy,
    "8-bit": eight_bit,
    "sharpened": sharpened,
    "coarse matrix": coarse,
    "ghosts": ghosted,
}


def corrupted(rng: np.random.Generator, pixels: Images) -> tuple[str, Images]:
    """Lay one corruption, drawn at random, over a stack; gives its name too."""
    name = str(rng.choice(list(CORRUPTIONS)))
    return name, CORRUPTIONS[name](rng, pixels.astype(float))

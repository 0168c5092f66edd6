"""What Fourier encoding does to a slice: point spread, chemical shift, motion ghosts.

Images are sampled finely, encoded on the acquired matrix, and reconstructed on the matrix that
is shown. A whole number of fine samples lies in each shown pixel, centred on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Motion:
    """A periodic shift along the phase-encoding (row) direction while k-space is acquired."""

    amplitude_mm: float
    """Largest shift."""
    period_lines: float
    """Phase-encoding lines in one period; ghosts lie rows / period apart."""


def encode(fine: FloatArray, *, shown: tuple[int, int], acquired: tuple[int, int]) -> ComplexArray:
    """Measure the centre of k-space of a finely sampled slice.

    `fine` is the signal on the fine grid, shape (shown rows x n, shown columns x n). Zero frequency
    lies in the middle of what is returned, shape `acquired`, and holds the mean of the signal.

    Examples
    --------
    >>> kspace = encode(np.ones((8, 8)), shown=(4, 4), acquired=(4, 4))
    >>> round(float(abs(kspace[2, 2])), 6)
    1.0
    """
    spectrum = np.fft.fftshift(np.fft.fft2(fine, norm="forward"))
    starts = [have // 2 - size // 2 for have, size in zip(spectrum.shape, acquired, strict=True)]
    centre = spectrum[
        tuple(slice(at, at + size) for at, size in zip(starts, acquired, strict=True))
    ]
    for axis, (size, samples) in enumerate(zip(shown, fine.shape, strict=True)):
        to_centre_px = (samples / size - 1) / 2 / (samples / size)
        centre = shifted(centre, axis=axis, by_px=-to_centre_px, shown=size)
    return centre


def shifted(kspace: ComplexArray, *, axis: int, by_px: float, shown: int) -> ComplexArray:
    """Shift the object along an axis by a number of shown pixels (Fourier shift theorem).

    Examples
    --------
    >>> fine = np.zeros((4, 4))
    >>> fine[1, 1] = 1.0
    >>> kspace = encode(fine, shown=(4, 4), acquired=(4, 4))
    >>> moved = shifted(kspace, axis=1, by_px=1.0, shown=4)
    >>> abs(reconstruct(moved, (4, 4))).round(6)[1].tolist()
    [0.0, 0.0, 1.0, 0.0]
    """
    ramp = np.exp(-2j * np.pi * frequencies(kspace.shape[axis]) * by_px / shown)
    return np.asarray(kspace * np.expand_dims(ramp, 1 - axis), dtype=np.complex128)


def with_motion(kspace: ComplexArray, motion: Motion, *, field_of_view_mm: float) -> ComplexArray:
    """Apply to each phase-encoding line the phase of the object's shift when it was acquired.

    Examples
    --------
    >>> moved = with_motion(np.ones((4, 1)), Motion(10.0, 8.0), field_of_view_mm=40.0)
    >>> np.abs(moved).round(9).ravel().tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    line = np.arange(kspace.shape[0])
    shift_mm = motion.amplitude_mm * np.sin(2 * np.pi * line / motion.period_lines)
    phase = np.exp(-2j * np.pi * frequencies(kspace.shape[0]) * shift_mm / field_of_view_mm)
    return np.asarray(kspace * phase[:, np.newaxis], dtype=np.complex128)


def window(acquired: tuple[int, int], strength: float) -> FloatArray:
    """Weights of k-space that damp Gibbs ringing, 1 in the middle.

    A raised cosine along each axis: at strength 1 that of Hann, falling to 0 at the border; at
    0.92 that of Hamming; at 0 no window at all.

    Examples
    --------
    >>> window((4, 4), 1.0)[2].tolist()
    [0.0, 0.5, 1.0, 0.5]
    """
    rows, columns = (
        1 - strength * (1 - np.cos(2 * np.pi * frequencies(size) / size)) / 2 for size in acquired
    )
    return np.asarray(np.outer(rows, columns), dtype=np.float64)


def reconstruct(kspace: ComplexArray, shown: tuple[int, int]) -> ComplexArray:
    """Zero-fill k-space to the shown matrix and transform it back.

    A truncated edge overshoots (Gibbs ringing) unless k-space was weighted by a window; a point
    becomes the Dirichlet kernel of the acquired matrix, or the kernel of the window.

    Examples
    --------
    >>> kspace = encode(np.ones((8, 8)), shown=(4, 4), acquired=(2, 2))
    >>> abs(reconstruct(kspace, (4, 4))).round(6)[0].tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    padding = [
        (to // 2 - have // 2, to - to // 2 - (have - have // 2))
        for to, have in zip(shown, kspace.shape, strict=True)
    ]
    filled = np.fft.ifftshift(np.pad(kspace, padding))
    return np.asarray(np.fft.ifft2(filled, norm="forward"), dtype=np.complex128)


def frequencies(size: int) -> FloatArray:
    """Whole cycles over the field of view of each sample of k-space, zero at `size // 2`.

    Examples
    --------
    >>> frequencies(4).tolist()
    [-2.0, -1.0, 0.0, 1.0]
    """
    return np.arange(size, dtype=np.float64) - size // 2

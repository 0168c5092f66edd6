"""What the receiver adds: coil sensitivities and thermal noise.

The real and imaginary channel of each coil carry independent Gaussian noise, so a magnitude
image of one coil is Rician (Gudbjartsson and Patz, Magn Reson Med 1995;34:910-914) and a
root-sum-of-squares image of several follows the non-central chi law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.scanner.kspace import ComplexArray, reconstruct


@dataclass(frozen=True)
class Coil:
    """A ring of receive elements around the leg, in the plane across it."""

    elements: int = 1
    """1 is a coil of even sensitivity up to `falloff`."""
    radius_mm: float = 95.0
    falloff: float = 0.0
    """0 for an even image, 1 for the full fall of sensitivity with distance from each element."""


def sensitivities(points_mm: FloatArray, coil: Coil) -> ComplexArray:
    """Sensitivity of each element, the root sum of squares being 1 at the origin.

    On its axis a circular loop of radius a falls off with distance d as
    (1 + (d / a)^2)^(-3/2) (Biot and Savart); here that law is taken in every direction, with half
    the ring's radius as a. `points_mm` are LPS mm relative to the middle of the coil, shape
    (..., 3) -> (elements, ...).

    Examples
    --------
    >>> images = sensitivities(np.zeros((1, 3)), Coil(elements=4, falloff=1.0))
    >>> root_sum_of_squares(images).round(6).tolist()
    [1.0]
    """
    angles = 2 * np.pi * (np.arange(coil.elements) + 0.5) / coil.elements
    loop_mm = coil.radius_mm / 2
    maps: list[ComplexArray] = []
    for angle in angles:
        element = coil.radius_mm * np.array([np.cos(angle), np.sin(angle), 0.0])
        squared = np.sum(np.square(points_mm - element), axis=-1)
        fall = ((1 + squared / loop_mm**2) / (1 + coil.radius_mm**2 / loop_mm**2)) ** -1.5
        maps.append(fall**coil.falloff * np.exp(1j * angle))
    return np.asarray(maps / np.sqrt(coil.elements), dtype=np.complex128)


def coil_noise(
    rng: np.random.Generator,
    sd: float,
    *,
    elements: int,
    shown: tuple[int, int],
    weights: FloatArray,
) -> ComplexArray:
    """Thermal noise of each element on the shown matrix, shape (elements, rows, columns).

    Drawn in the acquired part of k-space and weighted by its window, so that it is correlated
    between pixels exactly as window and zero-filling make it. `sd` is the standard deviation of the
    real, and of the imaginary, channel of the shown image.

    Examples
    --------
    >>> rng, flat = np.random.default_rng(1), np.ones((64, 64))
    >>> drawn = coil_noise(rng, 2.0, elements=1, shown=(64, 64), weights=flat)
    >>> round(float(drawn.real.std()), 1)
    2.0
    """
    drawn = rng.normal(scale=sd, size=(elements, 2, *weights.shape))
    drawn *= weights / np.sqrt(np.sum(weights**2))
    return np.stack([reconstruct(real + 1j * imaginary, shown) for real, imaginary in drawn])


def root_sum_of_squares(images: ComplexArray) -> FloatArray:
    """Combine the images of the elements (first axis) into one magnitude image.

    Examples
    --------
    >>> root_sum_of_squares(np.array([[3.0 + 0j], [4j]])).tolist()
    [5.0]
    """
    return np.asarray(np.sqrt(np.sum(np.abs(images) ** 2, axis=0)), dtype=np.float64)

"""A straight edge seen through a Gaussian point spread, fitted to pixel values.

The pixels are fitted as they are, without interpolation, so that their noise stays uncorrelated
and the covariance of the fit is that of the position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from meniscal_measure.geometry import FloatArray

MAX_SLOPE = 1.0
"""Steepest fitted edge: mm along the measuring direction per mm across it."""

PARAMETER_COUNT = 5
"""Position, slope, blur, base and height."""


@dataclass(frozen=True)
class WindowPixels:
    """Pixels around a point: place along and across the measuring direction (mm), and value."""

    along_mm: FloatArray
    across_mm: FloatArray
    values: FloatArray

    def near(self, along_mm: float, half_length_mm: float) -> WindowPixels:
        """Keep the pixels within a half-length of a place along the direction.

        Examples
        --------
        >>> places = np.array([-1.0, 0.0, 1.0])
        >>> WindowPixels(places, 0 * places, 10 * places).near(0.0, 0.5).values.tolist()
        [0.0]
        """
        keep = np.abs(self.along_mm - along_mm) <= half_length_mm
        return WindowPixels(self.along_mm[keep], self.across_mm[keep], self.values[keep])


@dataclass(frozen=True)
class BlurredStep:
    """The model: `base + height * Phi((along - position - slope * across) / blur)`."""

    position_mm: float
    slope: float
    blur_mm: float
    base: float
    height: float

    def values(self, along_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
        """Model values at places along and across the direction.

        Examples
        --------
        >>> step = BlurredStep(position_mm=0.5, slope=0.0, blur_mm=0.3, base=20.0, height=100.0)
        >>> step.values(np.array([-9.0, 0.5, 9.0]), np.zeros(3)).tolist()
        [20.0, 70.0, 120.0]
        """
        distance_mm = along_mm - self.position_mm - self.slope * across_mm
        return self.base + self.height * np.asarray(ndtr(distance_mm / self.blur_mm))


@dataclass(frozen=True)
class StepFit:
    """A fitted step and how well it fits."""

    step: BlurredStep
    position_sd_mm: float
    contrast_to_noise: float
    """Height of the step over the standard deviation of the residuals."""
    durbin_watson: float
    """Of the residuals in order along the direction: 2 when independent, towards 0 when not."""


def strongest_step(
    pixels: WindowPixels, search_mm: float, *, half_length_mm: float, blur_mm: float
) -> BlurredStep:
    """Find the most significant straight step of known blur within the search range.

    Places half a blur apart are tried; base and height follow from linear least squares in the
    window around each.
    """
    count = 2 * math.ceil(search_mm / (0.5 * blur_mm)) + 1
    trials = [
        _linear_fit(pixels.near(float(place), half_length_mm), float(place), blur_mm)
        for place in np.linspace(-search_mm, search_mm, count)
    ]
    return max(trials, key=lambda trial: trial[1])[0]


def _linear_fit(
    pixels: WindowPixels, position_mm: float, blur_mm: float
) -> tuple[BlurredStep, float]:
    """Fit base and height; return the step and the significance of its height."""
    rise = ndtr((pixels.along_mm - position_mm) / blur_mm)
    spread = rise - rise.mean()
    sum_of_squares = float(spread @ spread)
    if sum_of_squares == 0:
        return BlurredStep(position_mm, 0.0, blur_mm, 0.0, 0.0), 0.0
    projection = float(spread @ pixels.values)
    height = projection / sum_of_squares
    base = float(pixels.values.mean() - height * rise.mean())
    residuals = pixels.values - base - height * rise
    scatter = float(residuals @ residuals) or np.finfo(np.float64).tiny
    step = BlurredStep(position_mm, 0.0, blur_mm, base, height)
    return step, projection * height / scatter


def fit_step(
    pixels: WindowPixels, start: BlurredStep, blur_range_mm: tuple[float, float]
) -> StepFit:
    """Fit all parameters of the step by least squares, from `start` and within limits of the blur.

    There are at least one more pixels than parameters, not all of one value.
    """
    scale = float(np.ptp(pixels.values))

    def residuals(x: FloatArray) -> FloatArray:
        step = BlurredStep(x[0], x[1], x[2], scale * x[3], scale * x[4])
        return (step.values(pixels.along_mm, pixels.across_mm) - pixels.values) / scale

    limit = math.inf
    solution = least_squares(
        residuals,
        [start.position_mm, 0.0, start.blur_mm, start.base / scale, start.height / scale],
        bounds=(
            [-limit, -MAX_SLOPE, blur_range_mm[0], -limit, -limit],
            [limit, MAX_SLOPE, blur_range_mm[1], limit, limit],
        ),
    )
    position, slope, blur, base, height = (float(value) for value in solution.x)
    remaining = solution.fun[np.argsort(pixels.along_mm, kind="stable")]
    variance = float(remaining @ remaining) / (remaining.size - PARAMETER_COUNT)
    jacobian = np.asarray(solution.jac)
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    return StepFit(
        BlurredStep(position, slope, blur, base * scale, height * scale),
        math.sqrt(covariance[0, 0]),
        abs(height) / math.sqrt(variance) if variance > 0 else math.inf,
        durbin_watson(remaining),
    )


def durbin_watson(residuals: FloatArray) -> float:
    """Calculate Durbin and Watson's statistic of serial correlation.

    2 for independent residuals, towards 0 where neighbours are alike, towards 4 where they
    alternate. Source: Durbin J, Watson GS, Biometrika 1950;37:409-428.

    Examples
    --------
    >>> durbin_watson(np.array([1.0, -1.0, 1.0, -1.0]))
    3.0
    """
    total = float(residuals @ residuals)
    return float(np.sum(np.diff(residuals) ** 2)) / total if total > 0 else 2.0

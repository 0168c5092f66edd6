"""The gap of a cleft: the width of a bright band between two ends of dark meniscus."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, unit_vector
from meniscal_measure.knee.horn_signal import bright_level, sampled
from meniscal_measure.knee.named_landmarks import SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedQuantity

MARGIN_MM = 3.0
"""Length of the profile beyond each landmark: dark meniscus on either side of the cleft."""

STEP_MM, HALF_WIDTH_MM = 0.25, 0.75
"""Distance of samples along the profile, and half-width over which they are averaged."""

BLUR_MM = (0.5, 0.2)
"""Expected blur of an edge (standard deviation) and its spread: pixels of 0.3 to 0.6 mm."""

BRIGHT_SPREAD = 0.3
"""How far the signal in a cleft may lie from the bright level around it, as a fraction. A band
narrower than the blur gives only the product of width and signal, so the signal must be assumed."""

LEAST_CONTRAST, LEAST_RISE = 5.0, 0.2
"""Least rise of the band over the meniscus, in misfits of the fit and as a fraction of the bright
level."""

MOST_AWAY = 2.0
"""Largest distance of an edge from its landmark, in standard deviations; beyond it the band is
another one: fluid beside the cleft, or a part of it that something else fills."""

UNKNOWN_AXIAL, UNKNOWN_ELSEWHERE = (0.5, 0.1), (0.8, 0.2)
"""What neither fit nor placement knows: mm of a fitted band (slanting edges, partial volume), and
the share of a gap by which a slice that cuts the horn obliquely shortens it. From the scatter on
simulated knees (tests/benchmarks/sign_support.py)."""


def cleft_gap(
    first: SpatialLandmark, second: SpatialLandmark, image: NDArray[np.float32]
) -> TracedQuantity:
    """Measure the gap between the two edges of a cleft on one slice.

    A band with blurred edges is fitted to the profile through both landmarks; where there is none,
    or it ends elsewhere, the distance of the landmarks is given, with the deviation of their
    placement.

    The image of their slice is `[row, column]`.

    Raises
    ------
    LandmarkError
        If they lie on different slices, or coincide.

    Notes
    -----
    Both edges are fitted together, as below about 4 mm each lies within the blur and the window of
    the other. The placement of the landmarks, the blur and the signal within the band enter as
    normal priors; the uncertainty is that of the fit, and what is not known of the slice.
    """
    if first.where != second.where:
        raise LandmarkError(
            "The edges of the cleft lie on {first} and {second}. Place both on one slice.",
            first=str(first.where),
            second=str(second.where),
        )
    span = np.subtract(second.point_mm, first.point_mm)
    length_mm = float(np.linalg.norm(span))
    if length_mm < STEP_MM:
        raise LandmarkError(
            f"The edges of the cleft on {first.where} coincide. Place one on either side of it."
        )
    placed_u = math.hypot(first.sd_mm, second.sd_mm)
    at_mm = np.arange(-MARGIN_MM, length_mm + MARGIN_MM, STEP_MM)
    profile = _profile(image, first, unit_vector(span), at_mm)
    expected = np.array([0.0, length_mm, bright_level(image, first), BLUR_MM[0]])
    spread = np.array([first.sd_mm, second.sd_mm, BRIGHT_SPREAD * expected[2], BLUR_MM[1]])
    fitted = _fitted_band(profile, at_mm, expected, np.maximum(spread, 1e-3))
    is_axial = first.where.plane is Plane.AXIAL
    model_mm, share = UNKNOWN_AXIAL if is_axial else UNKNOWN_ELSEWHERE
    value_mm, fit_mm = fitted or (length_mm, placed_u)
    u_mm = math.hypot(fit_mm, model_mm if fitted else 0.0, share * value_mm)
    how = "band fitted along the line through both landmarks" if fitted else (
        "no bright band between the landmarks: their distance"
    )  # fmt: skip
    return TracedQuantity(
        "gap of the cleft", value_mm, "mm", u_mm, Basis.PIXELS if fitted else Basis.READER,
        (first.where,), how,
    )  # fmt: skip


def _profile(
    image: NDArray[np.float32], start: SpatialLandmark, along: FloatArray, at_mm: FloatArray
) -> FloatArray:
    """Grey values along a line from a landmark, averaged across it."""
    across = np.cross(start.grid.normal, along)
    sides_mm = np.arange(-HALF_WIDTH_MM, HALF_WIDTH_MM + STEP_MM / 2, STEP_MM)
    points = start.point_mm + at_mm[:, None, None] * along + sides_mm[None, :, None] * across
    return np.asarray(sampled(image, start.grid, points).mean(axis=1))


def _fitted_band(
    profile: FloatArray, at_mm: FloatArray, expected: FloatArray, spread: FloatArray
) -> tuple[float, float] | None:
    """Width of the band and its standard uncertainty, mm; None where there is no band.

    `expected` and `spread` are those of both edges, the signal in the band, and the blur.
    """
    dark = float(np.percentile(profile, 20))
    noise = max(0.05 * abs(float(expected[2]) - dark), 1e-6)
    start = np.array([*expected, dark, dark])
    low = [expected[0] - MARGIN_MM, expected[0], -np.inf, 0.05, -np.inf, -np.inf]
    high = [expected[1], expected[1] + MARGIN_MM, np.inf, 2.0, np.inf, np.inf]

    def misfits(parameters: FloatArray, noise: float) -> FloatArray:
        off = (_band(parameters, at_mm) - profile) / noise
        return np.concatenate([off, (parameters[:4] - expected) / spread])

    for _ in range(2):
        found = least_squares(misfits, start, bounds=(low, high), args=(noise,))
        misfit = float(np.std(_band(found.x, at_mm) - profile))
        noise = max(misfit * math.sqrt(2.0), 1e-6)
    first, second, bright, _, *ends = found.x
    width_mm = float(second - first)
    rise = bright - max(ends)
    if np.any(np.abs(found.x[:2] - expected[:2]) > MOST_AWAY * spread[:2]):
        return None
    if rise < max(LEAST_CONTRAST * misfit, LEAST_RISE * expected[2]) or width_mm <= 0:
        return None
    jacobian = np.asarray(found.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    variance = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    return width_mm, math.sqrt(max(float(variance), 0.0))


def _band(parameters: FloatArray, at_mm: FloatArray) -> FloatArray:
    first, second, bright, blur, before, behind = parameters
    rise, fall = ndtr((at_mm - first) / blur), ndtr((at_mm - second) / blur)
    return np.asarray(before + (bright - before) * rise - (bright - behind) * fall)

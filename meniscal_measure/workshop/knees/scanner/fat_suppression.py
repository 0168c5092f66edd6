"""How much fat signal spectral suppression leaves, and where it fails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray

LEFT_OVER = 0.1
"""Fraction of the fat signal that remains where suppression works (free phantom parameter).

The olefinic peak near water, some 5-10 % of the fat signal, is never suppressed."""

FAILURE_ONSET_MM = 55.0
"""Distance from the isocentre, along the direction of failure, at which it is half complete."""

FAILURE_WIDTH_MM = 8.0
"""Distance over which suppression goes from working to failing."""


@dataclass(frozen=True)
class SuppressionFailure:
    """A region at the edge of the field of view in which the fat peak is missed."""

    strength: float
    """0 for even suppression, 1 for the full fat signal where it fails."""
    direction: tuple[float, float, float]
    """Unit vector from the isocentre to the failing region, LPS."""


def remaining_fat(points_mm: FloatArray, failure: SuppressionFailure | None) -> FloatArray:
    """Fraction of the fat signal left at patient points, shape (..., 3) LPS mm -> (...).

    Examples
    --------
    >>> remaining_fat(np.zeros((2, 3)), None).tolist()
    [0.1, 0.1]
    """
    if failure is None:
        return np.full(points_mm.shape[:-1], LEFT_OVER)
    reach_mm = points_mm @ np.array(failure.direction)
    onset = 1 / (1 + np.exp(-(reach_mm - FAILURE_ONSET_MM) / FAILURE_WIDTH_MM))
    return np.asarray(LEFT_OVER + (1 - LEFT_OVER) * failure.strength * onset, dtype=np.float64)

"""How the shape figures of a knee vary together: a correlated normal distribution.

Correlations of 44 real knees on the coronal slice through the apex of the medial spine
(segmentation label maps that accompany arXiv:2211.16696, Osteoarthritis Initiative).
"""

from __future__ import annotations

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.parameters import Sex

PLATEAU_WIDTH_MM = {Sex.MALE: (78.8, 4.8), Sex.FEMALE: (70.4, 4.3)}
"""Mean and standard deviation; both sexes together 74.6 +- 6.2 mm, between the 73.4 +- 6.9 mm of an
Iranian series (n = 132) and the 75.5 +- 6.8 mm of the 44 knees."""

ALL_WIDTHS_MM = (74.6, 6.2)

FIGURES = (
    "width",
    "tilt_M",
    "tilt_L",
    "spine_h_M",
    "spine_h_L",
    "spine_sep",
    "tcart_c_M",
    "tcart_c_L",
    "fem_corner_dx_M",
    "fem_corner_dx_L",
    "notch_w50",
    "notch_h",
    "wall_M",
    "wall_L",
)
"""Plateau width; outward rise of the plateaus; heights of the spines and their separation;
cartilage at the middle of the plateaus; femoral corners beyond the rims; width and height of the
notch; lean of the walls. `_M` medial, `_L` lateral."""

CORRELATIONS = (
    (1.00,),
    (-0.13, 1.00),
    (0.05, 0.55, 1.00),
    (0.64, -0.39, -0.46, 1.00),
    (0.47, -0.52, -0.40, 0.62, 1.00),
    (0.44, -0.07, 0.02, 0.42, -0.07, 1.00),
    (-0.01, 0.13, 0.10, -0.02, -0.19, 0.26, 1.00),
    (0.55, -0.04, 0.07, 0.37, 0.35, 0.07, 0.19, 1.00),
    (-0.01, -0.15, -0.32, 0.15, -0.06, -0.11, -0.20, -0.16, 1.00),
    (-0.28, -0.15, -0.23, -0.19, 0.04, -0.20, 0.02, -0.10, 0.08, 1.00),
    (0.45, -0.55, -0.45, 0.55, 0.49, 0.57, 0.34, 0.31, -0.14, 0.03, 1.00),
    (0.48, -0.17, -0.05, 0.43, 0.29, 0.26, -0.05, 0.23, 0.32, 0.33, 0.28, 1.00),
    (0.06, -0.10, 0.01, 0.02, 0.00, -0.01, -0.21, -0.11, -0.05, -0.12, -0.14, -0.09, 1.00),
    (-0.14, -0.00, -0.11, 0.02, 0.17, -0.30, -0.03, -0.02, 0.18, -0.21, -0.04, -0.17, 0.23, 1.00),
)
"""Lower triangle of the correlation matrix, in the order of `FIGURES`."""


def _factor() -> FloatArray:
    """Cholesky factor of the correlation matrix."""
    matrix = np.zeros((len(FIGURES), len(FIGURES)))
    for row, values in enumerate(CORRELATIONS):
        matrix[row, : row + 1] = values
    return np.asarray(np.linalg.cholesky(matrix), dtype=np.float64)


FACTOR = _factor()


def scores_beside(width_mm: float, rng: np.random.Generator) -> dict[str, float]:
    """Draw the standard scores of a knee's other figures, given the width of its plateau."""
    mean, sd = ALL_WIDTHS_MM
    independent = rng.standard_normal(len(FIGURES))
    independent[0] = (width_mm - mean) / sd
    scores = FACTOR @ independent
    return {figure: float(score) for figure, score in zip(FIGURES, scores, strict=True)}

"""Shape figures of real knees, drawn together for a batch of synthetic ones.

Means, spreads between knees and correlations were measured on label maps of 44 knees of the
Osteoarthritis Initiative that accompany arXiv:2211.16696, in coronal planes at offsets from the
plane through the apex of the medial spine, and relative to the line of the rims.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.polynomial import Polynomial
from torch import Tensor

from meniscal_measure.workshop.training.fields import Draw, Points

OFFSETS_MM = (-12.0, -8.0, -4.0, 0.0, 4.0, 8.0, 12.0)
"""Offsets behind the apex of the medial spine at which figures were measured."""
REACH_MM = 12.0
"""Curves go on level beyond this offset."""
DEGREE = 4
"""Of the polynomial in the offset that stands for a curve."""


@dataclass(frozen=True)
class Figure:
    """Mean at each of `OFFSETS_MM`, spread between knees, and spread of the slope per mm."""

    mean: tuple[float, ...]
    sd: float
    slope_sd: float = 0.0


FIGURES: dict[str, Figure] = {
    "width": Figure((75.46,), 6.81),
    "ap_M": Figure((41.80,), 4.41),
    "ap_L": Figure((37.28,), 3.72),
    "rimR_M": Figure((1.92,), 0.77),
    "rimR_L": Figure((2.68,), 1.79),
    "wall_M": Figure((18.96, 16.93, 15.81, 15.09, 17.11, 20.88, 24.57), 4.4, 0.2),
    "wall_L": Figure((-10.39, -5.60, -0.51, 2.68, 3.41, 2.84, 0.34), 7.5, 0.3),
    "tilt_M": Figure((-3.91, -0.25, 1.39, 0.48, -2.15, -4.50, -5.92), 2.6, 0.08),
    "tilt_L": Figure((1.69, -1.82, -1.32, -1.10, -1.02, -1.26, -2.79), 3.4, 0.1),
    "sag_mid_M": Figure((0.28,), 0.36),
    "sag_mid_L": Figure((0.01,), 0.50),
    "spine_h_M": Figure((5.80, 6.91, 9.36, 11.02, 9.65, 5.59, 3.97), 1.36, 0.04),
    "spine_h_L": Figure((2.17, 3.37, 6.61, 9.15, 8.99, 7.40, 6.48), 1.75, 0.03),
    "spine_sep": Figure((15.35, 15.34, 12.07, 11.21, 11.99, 13.52, 13.86), 1.95),
    "tcart_c_M": Figure((2.05,), 0.56),
    "tcart_c_L": Figure((1.84, 2.34, 2.63, 2.72, 2.74, 2.62, 2.31), 0.6),
    "gap_c_M": Figure((4.83,), 1.07),
    "gap_c_L": Figure((5.28,), 0.92),
    "fem_corner_dx_M": Figure((0.31,), 1.6),
    "fem_corner_dx_L": Figure((-4.09,), 1.65),
    "femR5_M": Figure((5.02, 5.39, 5.50, 5.94, 7.25, 7.73, 8.55), 1.4),
    "femR5_L": Figure((5.27, 5.05, 4.48, 4.31, 4.44, 4.93, 5.86), 0.8),
    "notch_w50": Figure((17.97, 15.08, 14.24, 16.74, 18.16, 18.2, 18.2), 3.75),
    "notch_h": Figure((9.34, 14.36, 20.63, 24.40, 27.49, 31.0, 35.0), 3.0),
}
"""By name; `_M` medial, `_L` lateral. Widths, heights and radii in mm, walls and tilts in degrees.

Behind 4 mm, where the notch of most knees is open, its last two values carry the others on.
"""


def mixing_matrix(correlations: Tensor) -> Tensor:
    """Matrix that turns independent normal draws into correlated ones of unit variance.

    The correlations were taken pair by pair and need not be those of any draw, so negative
    eigenvalues are left out.
    """
    values, vectors = torch.linalg.eigh(correlations.double())
    mixing = vectors * values.clamp(min=0).sqrt()
    return (mixing / mixing.norm(dim=1, keepdim=True)).float()


_CORRELATIONS = {
    row["figure"]: row
    for row in csv.DictReader(
        Path(__file__).with_name("real_correlations.csv").read_text("utf-8").splitlines()
    )
}
MIXING = mixing_matrix(
    torch.tensor([[float(_CORRELATIONS[a][b]) for b in FIGURES] for a in FIGURES])
)


class ShapeFigures:
    """Figures drawn for a batch of knees, with the correlations of real ones."""

    def __init__(self, draw: Draw) -> None:
        count = len(FIGURES)
        mixed = torch.randn(draw.batch, count, device=draw.device) @ MIXING.T.to(draw.device)
        standard = mixed.clamp(-2.6, 2.6)
        self._slope = torch.randn(draw.batch, count, device=draw.device).clamp(-2.5, 2.5)
        self._standard = dict(zip(FIGURES, standard.T[..., None, None, None], strict=True))
        self._slopes = dict(zip(FIGURES, self._slope.T[..., None, None, None], strict=True))
        self._curves = {
            name: _curve(figure.mean) for name, figure in FIGURES.items() if len(figure.mean) > 1
        }

    def standard(self, name: str) -> Tensor:
        """Departure from the mean in standard deviations, one for each knee."""
        return self._standard[name]

    def constant(self, name: str) -> Tensor:
        """Draw of a figure that does not change along the depth, one for each knee."""
        figure = FIGURES[name]
        return figure.mean[len(figure.mean) // 2] + figure.sd * self._standard[name]

    def along(self, name: str, y: Tensor) -> Tensor:
        """Draw of a figure at offsets behind the apex of the medial spine."""
        figure, at = FIGURES[name], y.clamp(-REACH_MM, REACH_MM)
        value = torch.zeros_like(at)
        for coefficient in self._curves[name]:
            value = value * at + coefficient
        departure = figure.sd * self._standard[name]
        if figure.slope_sd:
            departure = departure + figure.slope_sd * self._slopes[name] * at
        return value + departure

    def sided(self, name: str, p: Points) -> Tensor:
        """Blend the lateral and the medial figure across the mid-sagittal plane."""
        return torch.lerp(self.along(f"{name}_L", p.y), self.along(f"{name}_M", p.y), p.medial)


def _curve(mean: tuple[float, ...]) -> list[float]:
    """Coefficients of the polynomial through the means, the highest power first."""
    fitted = Polynomial.fit(OFFSETS_MM, mean, DEGREE).convert()
    return [float(c) for c in np.asarray(fitted.coef)[::-1]]

"""The bones of a population of knees, whose shape figures vary together.

Correlations of 44 real knees on the coronal slice through the apex of the medial spine
(segmentation label maps that accompany arXiv:2211.16696, Osteoarthritis Initiative).
"""

from __future__ import annotations

from dataclasses import fields
from typing import TypeVar

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.parameters import (
    CartilageParameters,
    FemurParameters,
    Sex,
    TibiaParameters,
)
from meniscal_measure.workshop.knees.recipe_fields import Ranged

Group = TypeVar("Group", bound=Ranged)

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


_MATRIX = np.zeros((len(FIGURES), len(FIGURES)))
for _row, _values in enumerate(CORRELATIONS):
    _MATRIX[_row, : _row + 1] = _values
FACTOR: FloatArray = np.asarray(np.linalg.cholesky(_MATRIX), dtype=np.float64)
"""Cholesky factor of the correlation matrix."""


def scores_beside(width_mm: float, rng: np.random.Generator) -> dict[str, float]:
    """Draw the standard scores of a knee's other figures, given the width of its plateau.

    Examples
    --------
    >>> scores = scores_beside(74.6, np.random.default_rng(1))
    >>> len(scores), scores["width"]
    (14, 0.0)
    """
    mean, sd = ALL_WIDTHS_MM
    independent = rng.standard_normal(len(FIGURES))
    independent[0] = (width_mm - mean) / sd
    scores = FACTOR @ independent
    return {figure: float(score) for figure, score in zip(FIGURES, scores, strict=True)}


def within(kind: type[Group], **values: float | str) -> Group:
    """Return a parameter group, its drawn numbers moved into their ranges.

    Examples
    --------
    >>> within(TibiaParameters, plateau_width_mm=200.0).plateau_width_mm
    95.0
    """
    ranges = {item.name: item.metadata["range"] for item in fields(kind) if item.metadata}
    kept = {
        name: min(max(float(value), ranges[name][0]), ranges[name][1]) if name in ranges else value
        for name, value in values.items()
    }
    return kind(**kept)


def draw_tibia(
    rng: np.random.Generator, sex: Sex, width_mm: float, scores: dict[str, float]
) -> TibiaParameters:
    """Draw the tibia, given the width of its plateau and the standard scores beside it.

    Examples
    --------
    >>> scores = dict.fromkeys(FIGURES, 0.0)
    >>> draw_tibia(np.random.default_rng(1), Sex.FEMALE, 72.0, scores).plateau_width_mm
    72.0
    """
    male = sex is Sex.MALE
    return within(
        TibiaParameters,
        plateau_width_mm=width_mm,
        width_over_depth=rng.normal(1.60, 0.09),
        medial_slope_deg=rng.normal(3.7 if male else 5.9, 2.6),
        lateral_slope_deg=rng.normal(5.4 if male else 7.0, 2.6),
        coronal_slope_deg=rng.normal(2.4 if male else 1.6, 1.7),
        medial_depth_mm=rng.normal(1.5 if male else 1.3, 0.6),
        medial_tilt_deg=-1.0 + 2.8 * scores["tilt_M"],
        lateral_tilt_deg=-1.2 + 4.2 * scores["tilt_L"],
        lateral_depth_mm=rng.normal(0.8, 0.5),
        rim_radius_mm=rng.normal(1.8, 0.4),
        medial_spine_mm=11.0 + 1.4 * scores["spine_h_M"],
        lateral_spine_mm=8.6 + 1.8 * scores["spine_h_L"],
        spine_valley_mm=rng.normal(0.0, 1.2),
        spine_separation_mm=12.8 + 2.1 * scores["spine_sep"],
        spine_breadth=rng.normal(1.0, 0.12),
        lateral_spine_shift_mm=rng.normal(0.0, 2.4),
        spine_shift_mm=rng.normal(0.0, 1.8),
        medial_wall_deg=8.5 + 3.8 * scores["wall_M"],
        lateral_wall_deg=-9.0 + 8.0 * scores["wall_L"],
        outline_fullness=rng.normal(1.3, 0.15),
        flare=rng.normal(1.0, 0.08),
        growth_plate_mm=_scar(rng),
    )


def _scar(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.4, 1.2)) if rng.random() < 0.5 else 0.0


def draw_femur(
    rng: np.random.Generator, medial_excess_wear: float, scores: dict[str, float]
) -> FemurParameters:
    """Draw the femur; a knee that is worn more medially stands in varus.

    Examples
    --------
    >>> draw_femur(np.random.default_rng(1), 0.0, dict.fromkeys(FIGURES, 0.0)).notch_width_mm
    23.0
    """
    return within(
        FemurParameters,
        medial_overhang_mm=2.2 + 1.15 * scores["fem_corner_dx_M"],
        lateral_overhang_mm=-2.1 + 1.4 * scores["fem_corner_dx_L"],
        medial_contact_mm=rng.normal(0.0, 2.6),
        lateral_contact_mm=rng.normal(0.0, 2.4),
        valgus_deg=rng.normal(5.5 - 5.0 * medial_excess_wear, 2.2),
        flexion_deg=rng.normal(2.0, 3.0),
        condyle_shoulder_mm=rng.normal(5.5, 0.8),
        notch_width_mm=23.0 + 6.2 * scores["notch_w50"],
        notch_height_mm=24.4 + 3.3 * scores["notch_h"],
        notch_slope=rng.normal(1.2, 0.22),
        notch_outlet_mm=rng.normal(3.8, 2.4),
        growth_plate_mm=_scar(rng),
        condyle_crown_per_mm=rng.normal(0.008, 0.002),
        patella_height_mm=rng.normal(0.0, 4.0),
    )


def draw_cartilage(
    rng: np.random.Generator, wear: tuple[float, float], scores: dict[str, float]
) -> CartilageParameters:
    """Draw the cartilage; `wear` is that of the medial and of the lateral compartment, 0 to 1.

    Examples
    --------
    >>> scores = dict.fromkeys(FIGURES, 0.0)
    >>> draw_cartilage(np.random.default_rng(1), (0.0, 0.0), scores).medial_loss
    0.0
    """
    return within(
        CartilageParameters,
        tibial_medial_mm=2.1 + 0.5 * scores["tcart_c_M"],
        tibial_lateral_mm=2.75 + 0.6 * scores["tcart_c_L"],
        femoral_mm=rng.normal(2.1, 0.4),
        medial_loss=wear[0] * rng.uniform(0.6, 1.0),
        lateral_loss=wear[1] * rng.uniform(0.6, 1.0),
        contact_gap_mm=rng.exponential(0.3),
    )

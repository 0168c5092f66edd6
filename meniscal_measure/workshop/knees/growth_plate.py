"""The scar that a closed growth plate leaves in the marrow."""

from __future__ import annotations

import numpy as np

from meniscal_measure.workshop.knees.layers import Painted
from meniscal_measure.workshop.knees.signed_distance import Field, maximum
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

WAVE_MM = 0.7
"""Height of the waves of the scar."""

INSIDE_MM = 0.5
"""Depth of its ends under the inner face of the cortex."""


def growth_plate_scar(
    level: Field, place: tuple[Field, Field], marrow: Field, *, thickness: float
) -> Painted:
    """Return the layer of a scar: a wavy sheet in the marrow.

    `level` is the height over the plane that the sheet waves about, `place` `u` and `y` of the
    points, `marrow` the distance from the marrow.

    Examples
    --------
    >>> level, marrow = np.array([0.0, 5.0]), np.full(2, -9.0)
    >>> _, _, sheet = growth_plate_scar(level, (np.zeros(2), np.zeros(2)), marrow, thickness=1.0)
    >>> (sheet < 0).tolist()
    [True, False]
    """
    u, y = place
    wave = WAVE_MM * (np.sin(0.33 * u + 0.11 * y) + np.sin(0.14 * u - 0.27 * y))
    sheet = maximum(abs(level - wave) - 0.5 * thickness, marrow + INSIDE_MM)
    return Tissue.MARROW_OEDEMA, Depth.MARROW, sheet

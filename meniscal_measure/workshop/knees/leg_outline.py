"""The outline of the leg: skin and subcutaneous fat."""

from __future__ import annotations

import math
from collections.abc import Iterator

from meniscal_measure.workshop.knees.layers import Painted, Solid
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Field, Oval, smoothstep
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

EVERYWHERE = (-math.inf, math.inf)


def build_leg(parameters: KneeParameters) -> Solid:
    """Build the fat that fills one leg, and the fat, skin and air that cover its muscles.

    Examples
    --------
    >>> import numpy as np
    >>> outside = build_leg(KneeParameters()).layers(*np.array([[0.0], [-60.0], [0.0]]))
    >>> [tissue.name for tissue, _, distance in outside if distance < 0]
    ['FAT', 'SKIN', 'AIR']
    """
    soft = parameters.soft
    s = parameters.tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM

    def layers(u: Field, y: Field, z: Field) -> Iterator[Painted]:
        outline = _fascia(z, s, muscle=soft.muscle_bulk * s, fat=soft.fat_mm)
        outside = outline.beyond(u, y)
        aside = u * (1.0 / outline.p_positive)
        below = soft.fat_mm * (0.5 + 0.45 * aside * aside)
        yield Tissue.FAT, Depth.FAT, outside
        yield Tissue.FAT, Depth.SKIN, -outside - below
        yield Tissue.SKIN, Depth.SKIN, -outside - soft.skin_mm
        yield Tissue.AIR, Depth.SKIN, -outside

    return Solid((EVERYWHERE, EVERYWHERE, EVERYWHERE), layers)


def _fascia(z: Field, s: float, *, muscle: float, fat: float) -> Oval:
    """Outline of the leg at a level."""
    up = smoothstep((z * (1.0 / s) - 15.0) * (1.0 / 75.0))
    down = smoothstep((2.0 - z * (1.0 / s)) * (1.0 / 75.0))
    side = 39.5 * s + 8.0 * muscle * up + 8.0 * muscle * down
    front = 53.5 * s + 3.0 * muscle * up - 27.0 * s * down
    back = 45.0 * s + 5.0 * muscle * up + 7.0 * muscle * down
    return Oval(side + fat, side + fat, back + 0.6 * fat, front + 0.4 * fat, 1.45)

"""The outline of the leg: skin and subcutaneous fat."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Field, Oval, smoothstep
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.workshop.knees.tissue import Depth, Tissue


@dataclass(frozen=True)
class Leg:
    """The outline of the leg: skin, subcutaneous fat, and the fat between the deeper parts."""

    scale: float
    fat: float
    skin: float
    bulk: float

    @property
    def box(self) -> Box:
        """No bound: the leg goes on."""
        every = (-math.inf, math.inf)
        return every, every, every

    def outline(self, z: Field) -> Oval:
        """Outline of the fascia at a level."""
        s = self.scale
        up = smoothstep((z * (1.0 / s) - 15.0) * (1.0 / 75.0))
        down = smoothstep((2.0 - z * (1.0 / s)) * (1.0 / 75.0))
        muscle = self.bulk * s
        side = 39.5 * s + 8.0 * muscle * up + 8.0 * muscle * down
        front = 53.5 * s + 3.0 * muscle * up - 27.0 * s * down
        back = 45.0 * s + 5.0 * muscle * up + 7.0 * muscle * down
        return Oval(
            side + self.fat, side + self.fat, back + 0.6 * self.fat, front + 0.4 * self.fat, 1.45
        )

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return the fat that fills the leg, and the fat, skin and air that cover the muscles."""
        outline = self.outline(z)
        outside = outline.beyond(u, y)
        aside = u * (1.0 / outline.p_positive)
        below = self.fat * (0.5 + 0.45 * aside * aside)
        yield Tissue.FAT, Depth.FAT, outside
        yield Tissue.FAT, Depth.SKIN, -outside - below
        yield Tissue.SKIN, Depth.SKIN, -outside - self.skin
        yield Tissue.AIR, Depth.SKIN, -outside


def build_leg(parameters: KneeParameters) -> Leg:
    """Build the outline of one leg.

    Examples
    --------
    >>> build_leg(KneeParameters()).skin
    1.5
    """
    soft = parameters.soft
    scale = parameters.tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    return Leg(scale, soft.fat_mm, soft.skin_mm, soft.muscle_bulk)

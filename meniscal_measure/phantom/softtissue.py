"""Skin, fat and muscle around the joint."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.phantom.layers import Box
from meniscal_measure.phantom.parameters import KneeParameters
from meniscal_measure.phantom.shapes import Field, Oval, positive
from meniscal_measure.phantom.tissue import Depth, Tissue


@dataclass(frozen=True)
class Leg:
    """The outline of the leg: skin, and fat below it."""

    outline: Oval
    centre_y: Field
    calf: Field
    thigh: Field
    skin: Field

    @property
    def box(self) -> Box:
        """No bound: the leg goes on."""
        every = (-math.inf, math.inf)
        return every, every, every

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Skin and fat."""
        grow = self.thigh * positive(z - 30.0) - self.calf * positive(-z - 20.0)
        inside = self.outline.beyond(u, y - self.centre_y) - grow
        yield Tissue.SKIN, Depth.SKIN, inside
        yield Tissue.FAT, Depth.SUBCUTANEOUS, inside + self.skin


def build_leg(parameters: KneeParameters) -> Leg:
    """Give the outline of one leg."""
    soft = parameters.soft
    half = 0.5 * parameters.tibia.plateau_width_mm + soft.fat_mm + 4.0
    return Leg(
        outline=Oval(half, half, half + 6.0, half + 14.0),
        centre_y=0.0,
        calf=0.05,
        thigh=0.12,
        skin=soft.skin_mm,
    )

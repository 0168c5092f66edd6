"""Axial outline of a bone end."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Points, Sided

FALL = 3.0
"""How fast the half width shrinks per mm in front of and behind the outline."""


@dataclass(frozen=True)
class Outline:
    """A superellipse for each side around its own centre."""

    centre: Sided
    """Where the centre lies, outward."""
    reach: Sided
    """Half axis outward."""
    middle: Sided
    """Where the centre lies, from front to back."""
    length: Sided
    """Half axis from front to back."""
    power: Tensor
    """Exponent: 2 is an ellipse, more is squarer."""

    def half_width(self, p: Points) -> Tensor:
        """Distance of the border from the mid-sagittal plane at this depth from front to back."""
        return p.once(self, "half width", self._half_width)

    def _half_width(self, p: Points) -> Tensor:
        along = (p.y - p.pick(self.middle)).abs()
        length, q = p.pick(self.length), self.power
        inside = (1 - (along / length).clamp(max=1) ** q).clamp(min=1e-6) ** (1 / q)
        beyond = (along - length).clamp(min=0)
        return p.pick(self.centre) + p.pick(self.reach) * inside - FALL * beyond

    def depth_inside(self, p: Points) -> Tensor:
        """Distance inward from the border, measured square to it, negative outside."""
        a, b, q = p.pick(self.reach), p.pick(self.length), self.power
        u = ((p.outward - p.pick(self.centre)).abs() / a).clamp(min=1e-3)
        v = ((p.y - p.pick(self.middle)).abs() / b).clamp(min=1e-3)
        r = (u**q + v**q) ** (1 / q)
        slope = r ** (1 - q) * torch.sqrt((u ** (q - 1) / a) ** 2 + (v ** (q - 1) / b) ** 2)
        return (1 - r) / slope.clamp(min=1e-3)

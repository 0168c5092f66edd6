"""Water and fat signal of a synthetic knee, painted tissue over tissue."""

from __future__ import annotations

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Draw, Sided
from meniscal_measure.workshop.training.knee_batch import Shape

Signal = dict[str, Tensor]
Place = tuple[Tensor, Tensor, Tensor]


class Canvas:
    """Water and fat signal, painted from the back to the front."""

    def __init__(self, draw: Draw, shape: Shape, signal: Signal) -> None:
        self.draw, self.shape, self.signal = draw, shape, signal
        self.points = shape.points
        self.water = torch.zeros_like(self.points.x)
        self.fat = torch.zeros_like(self.points.x)
        self.none = torch.zeros_like(draw.uniform(0, 1))
        self.edge = draw.uniform(0.15, 0.4)
        self.skin = torch.zeros_like(self.points.x)
        """Signed distance of the skin, set by the first layer."""

    def over(self, opacity: Tensor, water: Tensor | None, fat: Tensor | None = None) -> None:
        """Lay a tissue over what is there; a signal not given is none."""
        self.water = torch.lerp(self.water, self.none if water is None else water, opacity)
        self.fat = torch.lerp(self.fat, self.none if fat is None else fat, opacity)

    def grain(self, cell_px: float, amount: Tensor | float) -> Tensor:
        """Multiplicative texture around 1."""
        return 1 + amount * self.draw.texture(self.points.x, cell_px)

    def blob(self, x: Tensor, z: Tensor, size: tuple[Tensor, Tensor], tilt: Tensor) -> Tensor:
        """Signed distance of a tilted ellipse, endless along y, around the given offsets."""
        short, long = size
        u = x * torch.cos(tilt) + z * torch.sin(tilt)
        v = -x * torch.sin(tilt) + z * torch.cos(tilt)
        return (torch.sqrt((u / short) ** 2 + (v / long) ** 2 + 1e-6) - 1) * short

    def sided(self, low: float, high: float) -> Tensor:
        """One number for each side of each knee, blended between them."""
        u = self.draw.uniform
        return self.points.pick((u(low, high), u(low, high)))

    def sided_chance(self, probability: float) -> Tensor:
        """1 with the given probability, else 0, for each side of each knee."""
        sides: Sided = (self.draw.chance(probability), self.draw.chance(probability))
        return self.points.pick(sides)

    def waves(self, cell_mm: float) -> Tensor:
        """Smooth noise in space."""
        p = self.points
        return self.draw.waves((p.x, p.y, p.z), cell_mm)

    def cord(self, start: Place, end: Place, radius: Tensor) -> Tensor:
        """Signed distance of a round cord between two places."""
        p = self.points
        along = [b - a for a, b in zip(start, end, strict=True)]
        away = [c - a for a, c in zip(start, (p.x, p.y, p.z), strict=True)]
        length2 = sum(a**2 for a in along)
        share = sum(a * b for a, b in zip(away, along, strict=True)) / length2
        share = torch.as_tensor(share).clamp(0, 1)
        rest = sum((a - share * b) ** 2 for a, b in zip(away, along, strict=True))
        return torch.sqrt(rest + 1e-6) - radius

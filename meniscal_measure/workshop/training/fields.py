"""Random draws, smooth noise and soft solids: what the batched knees are made of.

Every drawn parameter has shape (batch, 1, 1, 1) and every field (batch, slice, row, column), so
that they combine by broadcasting. Signed distances are negative inside, in mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import torch
from torch import Tensor
from torch.nn import functional

WAVES = 7
"""Plane waves in one smooth noise field: enough to look aperiodic over a knee."""


Sided = tuple[Tensor, Tensor]
"""A parameter of the lateral and of the medial side."""


@dataclass(frozen=True)
class Points:
    """Where tissue is evaluated: knee frame coordinates, each (batch, slice, row, column).

    Frame of the synthetic knee, mm: x to the medial side (negative is lateral), y posterior, z
    proximal; the origin lies on the line of the rims, below the apex of the medial spine.
    """

    x: Tensor
    y: Tensor
    z: Tensor
    medial: Tensor = field(init=False)
    """0 on the lateral side, 1 on the medial side."""
    known: dict[tuple[int, str], Tensor] = field(init=False, default_factory=dict)
    """Fields already evaluated here, by owner and name; some are asked for many times over."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "medial", torch.sigmoid(self.x / 1.5))

    @property
    def outward(self) -> Tensor:
        """Distance from the mid-sagittal plane."""
        return self.x.abs()

    def pick(self, sided: Sided) -> Tensor:
        """Blend a sided parameter across the mid-sagittal plane."""
        return torch.lerp(sided[0], sided[1], self.medial)

    def once(self, owner: object, name: str, make: Callable[[Points], Tensor]) -> Tensor:
        """Evaluate a field, unless its owner already has here."""
        key = (id(owner), name)
        if key not in self.known:
            self.known[key] = make(self)
        return self.known[key]


class Draw:
    """Random parameters for a batch of knees, from torch's seeded global generator."""

    def __init__(self, batch: int, device: torch.device) -> None:
        self.batch, self.device = batch, device

    def uniform(self, low: float, high: float) -> Tensor:
        """One number per knee, evenly between the limits."""
        return low + (high - low) * torch.rand(self.batch, 1, 1, 1, device=self.device)

    def normal(self, mean: float, sd: float) -> Tensor:
        """One number per knee, Gaussian, cut at three standard deviations."""
        return mean + sd * torch.randn(self.batch, 1, 1, 1, device=self.device).clamp(-3, 3)

    def chance(self, probability: float) -> Tensor:
        """1 with the given probability, else 0."""
        return (torch.rand(self.batch, 1, 1, 1, device=self.device) < probability).float()

    def sign(self) -> Tensor:
        """Plus or minus one."""
        return self.chance(0.5) * 2 - 1

    def waves(self, points: tuple[Tensor, Tensor, Tensor], cell_mm: float) -> Tensor:
        """Smooth noise of unit variance in patient space, the same on every slice through it."""
        x, y, z = points
        place = torch.stack([x, y, z], -1).flatten(1, 3) / cell_mm
        k = torch.randn(self.batch, 3, WAVES, device=self.device)
        phase = 2 * math.pi * torch.rand(self.batch, 1, WAVES, device=self.device)
        total = torch.cos(torch.baddbmm(phase, place, k)).sum(-1)
        return total.view_as(x) * math.sqrt(2 / WAVES)

    def texture(self, like: Tensor, cell_px: float) -> Tensor:
        """Noise of about unit variance, correlated over `cell_px` pixels, slices independent."""
        batch, slices, rows, columns = like.shape
        coarse = torch.randn(
            batch,
            slices,
            max(2, math.ceil(rows / cell_px) + 3),
            max(2, math.ceil(columns / cell_px) + 3),
            device=self.device,
        )
        margin = int(3 * cell_px)
        size = (rows + margin, columns + margin)
        fine = functional.interpolate(coarse, size=size, mode="bilinear", align_corners=False)
        return fine[:, :, :rows, :columns] * 1.5


def smooth_step(t: Tensor) -> Tensor:
    """Rise from 0 to 1 over the unit interval with flat ends."""
    t = t.clamp(0, 1)
    return t * t * (3 - 2 * t)


def smooth_max(a: Tensor, b: Tensor, blend: Tensor | float) -> Tensor:
    """Intersection of two solids with the edge between them rounded over `blend` mm."""
    share = (0.5 + 0.5 * (a - b) / blend).clamp(0, 1)
    return b + (a - b) * share + blend * share * (1 - share)


def smooth_min(a: Tensor, b: Tensor, blend: Tensor | float) -> Tensor:
    """Union of two solids with the groove between them filled over `blend` mm."""
    return -smooth_max(-a, -b, blend)


def rounded_corner(outward: Tensor, upward: Tensor, radius: Tensor) -> Tensor:
    """Signed distance of a quarter plane whose corner is rounded.

    Both coordinates are measured from the centre of the rounding.
    """
    outside = torch.sqrt(outward.clamp(min=0) ** 2 + upward.clamp(min=0) ** 2 + 1e-6)
    return outside + torch.maximum(outward, upward).clamp(max=0) - radius


def cover(distance: Tensor, softness_mm: Tensor | float) -> Tensor:
    """Opacity of a solid: 1 inside, 0 outside, over a soft edge."""
    return torch.sigmoid(-distance / softness_mm)


def bump(t: Tensor) -> Tensor:
    """Gaussian bump of height 1."""
    return torch.exp(-(t**2))

"""Shapes of the tibia and the femur with their cartilage, in three dimensions.

Frame of the synthetic knee, mm: x to the medial side (negative is lateral), y posterior,
z proximal; the origin is the middle of the tibial plateau. Sizes follow the ranges of adult
knees in the anthropometric literature (common practice, no single source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import (
    Draw,
    bump,
    rounded_corner,
    smooth_max,
    smooth_min,
    smooth_step,
)

Sided = tuple[Tensor, Tensor]
"""A parameter of the lateral and of the medial side."""

RIM_COSINE = RIM_SINE = 0.7071
"""Direction, 45 degrees above the horizontal, in which the rim lies on the rounded corner."""


@dataclass(frozen=True)
class Points:
    """Where tissue is evaluated: knee frame coordinates, each (batch, slice, row, column)."""

    x: Tensor
    y: Tensor
    z: Tensor
    medial: Tensor = field(init=False)
    """0 on the lateral side, 1 on the medial side."""
    widths: dict[int, Tensor] = field(init=False, default_factory=dict)
    """Half widths of outlines already evaluated here; they are asked for many times over."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "medial", torch.sigmoid(self.x / 1.5))

    @property
    def outward(self) -> Tensor:
        """Distance from the mid-sagittal plane."""
        return self.x.abs()

    def pick(self, sided: Sided) -> Tensor:
        """Blend a sided parameter across the mid-sagittal plane."""
        return torch.lerp(sided[0], sided[1], self.medial)


class Outline:
    """Axial outline of one bone end: a superellipse for each side around its own centre."""

    def __init__(self, centre: Sided, reach: Sided, middle: Sided, length: Sided, power: Tensor):
        self.centre, self.reach = centre, reach
        self.middle, self.length, self.power = middle, length, power

    def half_width(self, p: Points) -> Tensor:
        """Distance of the border from the mid-sagittal plane at this depth from front to back."""
        if id(self) not in p.widths:
            p.widths[id(self)] = self._half_width(p)
        return p.widths[id(self)]

    def _half_width(self, p: Points) -> Tensor:
        along = (p.y - p.pick(self.middle)).abs()
        length, q = p.pick(self.length), self.power
        inside = (1 - (along / length).clamp(max=1) ** q).clamp(min=1e-6) ** (1 / q)
        beyond = (along - length).clamp(min=0)
        return p.pick(self.centre) + p.pick(self.reach) * inside - 3 * beyond

    def depth_inside(self, p: Points) -> Tensor:
        """Distance inward from the border, measured square to it, negative outside."""
        a, b, q = p.pick(self.reach), p.pick(self.length), self.power
        u = ((p.outward - p.pick(self.centre)).abs() / a).clamp(min=1e-3)
        v = ((p.y - p.pick(self.middle)).abs() / b).clamp(min=1e-3)
        r = (u**q + v**q) ** (1 / q)
        slope = r ** (1 - q) * torch.sqrt((u ** (q - 1) / a) ** 2 + (v ** (q - 1) / b) ** 2)
        return (1 - r) / slope.clamp(min=1e-3)


class Tibia:
    """A tibia drawn at random, one for each knee of the batch."""

    def __init__(self, draw: Draw) -> None:
        u = draw.uniform
        width = u(31, 42)
        self.width: Sided = (width + u(-3, 3), width + u(-3, 3))
        share = (u(0.46, 0.6), u(0.46, 0.6))
        self.centre: Sided = (share[0] * self.width[0], share[1] * self.width[1])
        reach = (self.width[0] - self.centre[0], self.width[1] - self.centre[1])
        length = u(19, 25)
        self.outline = Outline(
            self.centre, reach, (u(-2, 2), u(-2, 2)), (length, length + u(0, 4)), u(2.1, 2.9)
        )
        self.offset: Sided = (u(-1.5, 1.5), u(-1.5, 1.5))
        self.dip: Sided = (u(-1.8, 1.8), u(-0.3, 3.2))
        self.saddle: Sided = (u(-0.006, 0.002), u(-0.002, 0.006))
        self.slope = u(-0.02, 0.2)
        self.spine_height: Sided = (u(0, 10), u(1, 13))
        self.spine_x: Sided = (u(3, 8), u(3, 8))
        self.spine_width: Sided = (u(2.2, 5), u(2.2, 5))
        self.spine_y: Sided = (u(-3, 7), u(-4, 6))
        self.spine_length: Sided = (u(6, 14), u(6, 14))
        self.shoulder: Sided = (u(0, 0.06), u(0, 0.04))
        self.shoulder_width: Sided = (u(2.5, 8), u(2.5, 8))
        self.corner: Sided = (u(0.6, 3.5), u(0.6, 3.5))
        self.flare: Sided = (u(-4, 2.2), u(-3.5, 2.2))
        self.flare_depth: Sided = (u(2.5, 8), u(2.5, 8))
        self.taper_start: Sided = (u(3, 16), u(3, 16))
        self.taper_length: Sided = (u(25, 60), u(25, 60))
        self.shaft_width = u(10, 22)
        self.cartilage: Sided = (u(0.8, 4.2), u(0.8, 3.2))
        self.cartilage_edge, self.cartilage_inner = u(1, 9), u(4, 9)
        self.cartilage_border = u(-1, 1)
        worn = draw.chance(0.2)
        self.cartilage = (
            self.cartilage[0] * (1 - 0.8 * worn * draw.chance(0.5)),
            self.cartilage[1] * (1 - 0.8 * worn * draw.chance(0.5)),
        )

    def plateau(self, p: Points) -> Tensor:
        """Height of the bony plateau."""
        width, centre, out = self.outline.half_width(p), p.pick(self.centre), p.outward
        bowl = (1 - ((out - centre) / (width - centre).clamp(min=3)) ** 2).clamp(-0.3, 1)
        shoulder = (out - (width - p.pick(self.shoulder_width))).clamp(0, 9) ** 2
        height = p.pick(self.offset) - p.pick(self.dip) * bowl
        height = height - p.pick(self.shoulder) * shoulder - self.slope * p.y
        height = height + p.pick(self.saddle) * p.y.clamp(-25, 25) ** 2
        for side, sign in ((0, -1.0), (1, 1.0)):
            across = bump((p.x - sign * self.spine_x[side]) / self.spine_width[side])
            along = bump((p.y - self.spine_y[side]) / self.spine_length[side])
            height = height + self.spine_height[side] * across * along
        return height

    def rim_height(self, p: Points) -> Tensor:
        """Height of the plateau at its border, at the same depth from front to back."""
        edge = Points(p.x.sign() * self.outline.half_width(p).clamp(min=8), p.y, p.z)
        return self.plateau(edge)

    def wall(self, p: Points, depth: Tensor) -> Tensor:
        """Half width of the bone at `depth` below the rim."""
        width = self.outline.half_width(p)
        sunk = 1 - torch.exp(-depth.clamp(min=0) / p.pick(self.flare_depth))
        flare = p.pick(self.flare) * sunk
        taper = smooth_step((depth - p.pick(self.taper_start)) / p.pick(self.taper_length))
        return width + flare - (width - self.shaft_width).clamp(min=0) * taper

    def distance(self, p: Points, plateau: Tensor, depth: Tensor) -> Tensor:
        """Signed distance of the bone, osteophytes left out."""
        radius = p.pick(self.corner)
        out = p.outward - (self.wall(p, depth) - radius)
        body = rounded_corner(out, p.z - (plateau - radius), radius)
        back = p.pick(self.outline.length) + 1 - 17 * smooth_step(depth / 35)
        front = p.pick(self.outline.length) + 1 + 6 * smooth_step(depth / 30)
        return smooth_max(smooth_max(body, (p.y - back) * 0.7, 4.0), (-p.y - front) * 0.7, 4.0)

    def cartilage_thickness(self, p: Points) -> Tensor:
        """Thickness of the tibial cartilage, thinning towards the rim and the spines."""
        margin = self.outline.depth_inside(p) - self.cartilage_border
        inner = smooth_step((p.outward - self.cartilage_inner) / 5)
        return p.pick(self.cartilage) * smooth_step(margin / self.cartilage_edge) * inner

    def rims(self, p: Points) -> tuple[Tensor, Tensor]:
        """Outward coordinate and height of the rim at each point's side and depth."""
        radius = p.pick(self.corner)
        width, height = self.outline.half_width(p), self.rim_height(p)
        return width - radius * (1 - RIM_COSINE), height - radius * (1 - RIM_SINE)


class Femur:
    """A distal femur drawn at random and set upon a tibia without overlap."""

    def __init__(self, draw: Draw, tibia: Tibia) -> None:
        u = draw.uniform
        self.width: Sided = (tibia.width[0] + u(-3.5, 3), tibia.width[1] + u(-3.5, 3))
        self.axis: Sided = (u(0.46, 0.62) * tibia.width[0], u(0.46, 0.62) * tibia.width[1])
        reach = (self.width[0] - self.axis[0], self.width[1] - self.axis[1])
        length = (u(24, 32), u(24, 32))
        self.outline = Outline(self.axis, reach, (u(-4, 2), u(-4, 2)), length, u(2.2, 3))
        self.bow: Sided = (u(0.002, 0.016), u(0.002, 0.016))
        self.contact: Sided = (u(-4, 4), u(-4, 4))
        self.radius_back: Sided = (u(18, 26), u(18, 26))
        self.radius_front: Sided = (u(26, 45), u(26, 45))
        self.corner: Sided = (u(4, 13), u(4, 13))
        self.epicondyle: Sided = (u(0, 5), u(0, 5))
        self.epicondyle_height = u(14, 28)
        self.taper_start: Sided = (u(20, 42), u(20, 42))
        self.taper_length: Sided = (u(18, 45), u(18, 45))
        self.shaft_width = u(13, 24)
        self.shaft_back, self.condyle_back = u(-4, 8), u(23, 30)
        self.notch_start, self.notch_rise = u(-10, 1), u(0.9, 2.2)
        self.notch_width, self.notch_x, self.notch_flare = u(6.5, 12), u(-2.5, 2.5), u(0, 0.35)
        self.notch_blend = u(2, 5)
        self.groove_side, self.groove_chance = draw.sign(), draw.chance(0.45)
        self.groove = (u(0, 3), u(8, 16), u(0.5, 1), u(1, 4))
        worn = draw.chance(0.2)
        self.cartilage: Sided = (
            u(0.8, 2.8) * (1 - 0.8 * worn * draw.chance(0.5)),
            u(0.8, 2.8) * (1 - 0.8 * worn * draw.chance(0.5)),
        )
        self.cartilage_rim, self.cartilage_top = u(3, 7), u(9, 20)
        self.gap: Sided = (u(-0.2, 1.3), u(-0.2, 1.3))
        self.base: Sided = (self._seat(tibia, -1.0, 0), self._seat(tibia, 1.0, 1))

    def _seat(self, tibia: Tibia, sign: float, side: int) -> Tensor:
        """Lowest height at which this condyle clears the tibia with its cartilage and gap."""
        device = self.shaft_width.device
        t = torch.linspace(0, 1, 25, device=device)[None, None, None, :]
        y = torch.linspace(-14, 14, 9, device=device)[None, None, :, None]
        x = sign * (8 + (tibia.width[side] - 8) * t) + 0 * y
        p = Points(x, y + 0 * x, 0 * x)
        need = tibia.plateau(p) + tibia.cartilage_thickness(p)
        need = need + self.cartilage[side] + self.gap[side] - self.shape(p) - self.lift(p)
        inside = p.outward < tibia.outline.half_width(p)
        return torch.where(inside, need, torch.full_like(need, -1e3)).amax((2, 3), keepdim=True)

    def shape(self, p: Points) -> Tensor:
        """Height of the condylar surface above its lowest line."""
        along = p.y - p.pick(self.contact)
        radius = torch.where(along > 0, p.pick(self.radius_back), p.pick(self.radius_front))
        along = torch.minimum(along.abs(), 0.98 * radius)
        sagittal = radius - torch.sqrt(radius**2 - along**2)
        return p.pick(self.bow) * (p.outward - p.pick(self.axis)) ** 2 + sagittal

    def lift(self, p: Points) -> Tensor:
        """Rise of the rounded outer corner."""
        radius = p.pick(self.corner)
        t = (p.outward - (self.outline.half_width(p) - radius)).clamp(min=0)
        t = torch.minimum(t, radius * 0.98)
        return radius - torch.sqrt(radius**2 - t**2)

    def wall(self, p: Points, height: Tensor) -> Tensor:
        """Half width of the bone at `height` above its lowest line."""
        width, h = self.outline.half_width(p), height.clamp(min=0)
        bulge = p.pick(self.epicondyle) * bump((h - self.epicondyle_height) / 8)
        taper = smooth_step((h - p.pick(self.taper_start)) / p.pick(self.taper_length))
        return width + bulge - (width - self.shaft_width).clamp(min=0) * taper

    def distance(self, p: Points, height: Tensor) -> Tensor:
        """Signed distance of the bone, osteophytes left out."""
        radius = p.pick(self.corner)
        out = p.outward - (self.wall(p, height) - radius)
        bone = rounded_corner(out, self.shape(p) + radius - height, radius)
        groove_x, groove_h, squash, size = self.groove
        near = (p.x - self.groove_side * (self.outline.half_width(p) + groove_x)) ** 2
        groove = torch.sqrt(near + ((height - groove_h) * squash) ** 2) - size
        bone = torch.where(self.groove_chance > 0, smooth_max(bone, -groove, 2.0), bone)
        bone = smooth_max(bone, -self._notch(p, height), self.notch_blend)
        span = self.condyle_back - self.shaft_back
        back = self.condyle_back - span * smooth_step((height - 16) / 26)
        front = 34 - 10 * smooth_step((height - 20) / 30)
        return smooth_max(smooth_max(bone, (p.y - back) * 0.7, 4.0), (-p.y - front) * 0.7, 4.0)

    def _notch(self, p: Points, height: Tensor) -> Tensor:
        top = self.notch_rise * (p.y - self.notch_start)
        flare = self.notch_flare * (6 - height).clamp(0, 10)
        radius = 0.8 * self.notch_width
        out = (p.x - self.notch_x).abs() - self.notch_width * 0.2 - flare
        return rounded_corner(out, height - (top - radius), radius)

    def cartilage_reach(self, p: Points, height: Tensor) -> Tensor:
        """Where the femur carries cartilage, 0 to 1."""
        rim = smooth_step((self.outline.half_width(p) + 1.5 - p.outward) / self.cartilage_rim)
        return rim * smooth_step((self.cartilage_top + 0.4 * (p.y.abs() - 8) - height) / 5)


def with_osteophyte(draw: Draw, bone: Tensor, x: Tensor, z: Tensor) -> Tensor:
    """Add a bony spur to some knees; coordinates are relative to its root."""
    u = draw.uniform
    across, along = u(0.8, 4), u(1, 3.2)
    spur = (torch.sqrt((x / across) ** 2 + (z / along) ** 2) - 1) * torch.minimum(across, along)
    return torch.where(draw.chance(0.18) > 0, smooth_min(bone, spur, 2.0), bone)

"""Shape of the two menisci: open rings of wedge-shaped section along the border of the plateau."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.workshop.training.distal_femur import FemurBatch
from meniscal_measure.workshop.training.fields import Draw, Points, Sided, bump, smooth_max
from meniscal_measure.workshop.training.proximal_tibia import TibiaBatch

EXTRUSION_RANGE_MM = ((-4.5, 9.5), (-3.0, 10.0))
"""Ranges, lateral and medial, drawn evenly in most knees, so that the network does not learn that
large extrusions, or menisci that end well inside the rim, are rare."""
USUAL_MM = ((-1.5, 2.2), (0.5, 1.7))
"""Mean and spread of the extrusion in the other knees."""
MOST_INSIDE_MM = -11.0
"""Laterally a meniscus ends up to this far inside the rim, in front of the middle."""


@dataclass(frozen=True)
class MeniscusField:
    """The menisci evaluated at points."""

    distance: Tensor
    """Signed distance, bone and cartilage not yet cut out."""
    across: Tensor
    """0 at the free edge, 1 at the outer border."""
    up: Tensor
    """0 at the tibial face, 1 at the top of the outer border."""
    border: Tensor
    """Signed distance from the outer border surface, negative towards the joint."""
    middle_height: Tensor
    """Height of the middle of the outer border."""


class Menisci:
    """Menisci drawn at random, one pair for each knee of the batch."""

    def __init__(self, draw: Draw, *, even_share: float = 0.7) -> None:
        u, two = draw.uniform, (0, 1)
        self.extrusion: Sided = (
            self._extrusion(draw, even_share, 0),
            self._extrusion(draw, even_share, 1),
        )
        self.forward: Sided = (u(-0.05, 0.65), u(-0.1, 0.25))
        self.extrusion_y: Sided = (u(-8, 8), u(-8, 8))
        self.extrusion_length: Sided = (u(10, 45), u(10, 45))
        discoid = draw.chance(0.12)
        widths = [u(5.0, 13) + self.extrusion[s].clamp(min=0) * u(-0.2, 0.6) for s in two]
        self.width: Sided = (torch.where(discoid > 0, u(14, 25), widths[0]), widths[1])
        self.power: Sided = (torch.where(discoid > 0, u(0.15, 0.8), u(0.7, 1.4)), u(0.7, 1.4))
        self.height: Sided = (u(2.6, 9.5), u(3.0, 9.5))
        self.filling: Sided = (draw.chance(0.6), draw.chance(0.6))
        self.rise: Sided = (u(0, 1), u(0, 1))
        self.sag: Sided = (u(0, 0.8), u(0, 0.8))
        self.bulge: Sided = (u(-0.3, 2.2), u(-0.3, 2.2))
        self.bulge_at: Sided = (u(0.2, 0.8), u(0.2, 0.8))
        self.tip: Sided = (u(0.3, 0.9), u(0.3, 0.9))
        self.root_x = u(4, 9)

    @staticmethod
    def _extrusion(draw: Draw, even_share: float, side: int) -> Tensor:
        even = draw.uniform(*EXTRUSION_RANGE_MM[side])
        usual = draw.normal(*USUAL_MM[side])
        return torch.where(draw.chance(even_share) > 0, even, usual)

    def field(self, p: Points, tibia: TibiaBatch, femur: FemurBatch) -> MeniscusField:
        """Evaluate both menisci; the two never meet, so one field holds them."""
        local = bump((p.y - p.pick(self.extrusion_y)) / p.pick(self.extrusion_length))
        pushed = p.pick(self.extrusion)
        pushed = torch.where(pushed > 0, pushed * local, pushed)
        pushed = pushed + p.pick(self.forward) * p.y.clamp(-14, 0)
        pushed = pushed.clamp(min=MOST_INSIDE_MM)
        inside = tibia.outline.depth_inside(p) + pushed
        width = p.pick(self.width)
        across = (1 - inside / width).clamp(0, 1.2)
        bottom, height, middle = self._section(p, tibia, femur, pushed)
        up = (p.z - bottom) / (height + 0.01)
        profile = p.pick(self.bulge) * ((up - p.pick(self.bulge_at)) / 0.5) ** 2
        border = -inside + profile
        top = bottom + p.pick(self.tip) + height * across ** p.pick(self.power)
        wedge = smooth_max(border, inside - width, 0.3)
        wedge = smooth_max(wedge, smooth_max(bottom - p.z, p.z - top, 0.3), 0.8)
        wedge = torch.maximum(wedge, self.root_x - p.outward)
        return MeniscusField(wedge, across, up, border, middle)

    def _section(
        self, p: Points, tibia: TibiaBatch, femur: FemurBatch, pushed: Tensor
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Height of the tibial face here, height of the outer border, and its middle."""
        rim = tibia.outline.half_width(p)
        beneath = Points(p.x.sign() * torch.minimum(p.outward, rim - 0.5), p.y, p.z)
        beyond = (p.outward - rim).clamp(min=0)
        bottom = tibia.plateau(beneath) + tibia.cartilage_thickness(beneath)
        bottom = bottom - p.pick(self.sag) * beyond
        at = Points(p.x.sign() * torch.minimum(rim + pushed, rim - 0.5), p.y, p.z)
        foot = tibia.plateau(at) + tibia.cartilage_thickness(at)
        room = femur.underside(at) - foot
        lifted = room.clamp(min=2) + pushed.clamp(min=0) * p.pick(self.rise) + 0.3
        height = torch.minimum(p.pick(self.height), lifted)
        full = torch.minimum(room.clamp(2.5, 8.5), height + 2.5)
        height = torch.where(p.pick(self.filling) > 0.5, full, height)
        return bottom, height, foot + p.pick(self.bulge_at) * height

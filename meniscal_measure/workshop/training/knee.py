"""One batch of synthetic knees: everything of their shape, evaluated at points."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.workshop.training.bones import Femur, Points, Tibia, with_osteophyte
from meniscal_measure.workshop.training.fields import Draw, smooth_max
from meniscal_measure.workshop.training.menisci import Menisci, MeniscusField


@dataclass(frozen=True)
class Shape:
    """Signed distances and helper fields of a knee at points, each (batch, slice, row, column)."""

    points: Points
    tibia: Tensor
    femur: Tensor
    tibial_cartilage: Tensor
    femoral_cartilage: Tensor
    meniscus: Tensor
    section: MeniscusField
    depth: Tensor
    """Below the tibial rim."""
    height: Tensor
    """Above the lowest line of the femoral condyle."""
    rim: Tensor
    """Half width of the plateau."""
    above_meniscus: Tensor
    """Height relative to the middle of the outer meniscal border."""
    envelope: Tensor
    """Signed distance from the surface under the capsule, positive outside."""


class Knee:
    """A batch of knees drawn at random."""

    def __init__(self, draw: Draw, *, even_share: float = 0.7) -> None:
        self.draw = draw
        self.tibia = Tibia(draw)
        self.femur = Femur(draw, self.tibia)
        self.menisci = Menisci(draw, even_share=even_share)
        self.spur = [draw.uniform(-1, 4) for _ in range(4)]
        self.squeeze = draw.uniform(8, 60)
        self.notch_margin = draw.uniform(0.45, 1.1)

    def shape(self, p: Points) -> Shape:
        """Evaluate the knee."""
        draw, tibia, femur = self.draw, self.tibia, self.femur
        plateau, rim_height = tibia.plateau(p), tibia.rim_height(p)
        rim = tibia.outline.half_width(p)
        depth, height = rim_height - p.z, p.z - p.pick(femur.base)
        tib = tibia.distance(p, plateau, depth)
        fem = femur.distance(p, height)
        for sign, below, above in ((-1.0, self.spur[0], self.spur[1]), (1.0, *self.spur[2:])):
            x = p.x - sign * rim
            tib = with_osteophyte(draw, tib, x, p.z - rim_height + below)
            wide = p.x - sign * femur.outline.half_width(p)
            fem = with_osteophyte(draw, fem, wide, height - femur.shape(p) - 4 - above)
        uneven = (1 + 0.22 * draw.waves((p.x, p.y, p.z), 9)).clamp(0.3, 1.7)
        tibial = torch.maximum(tib - tibia.cartilage_thickness(p) * uneven, -(tib + 0.2))
        tibial = torch.maximum(tibial, depth - 3)
        thickness = p.pick(femur.cartilage) * uneven * femur.cartilage_reach(p, height)
        notch = ((p.x - femur.notch_x).abs() - self.notch_margin * femur.notch_width) / 4
        open_notch = (p.y > femur.notch_start).float() * (height < 25).float()
        thickness = thickness * torch.where(open_notch > 0, notch.clamp(0, 1), 1)
        femoral = torch.maximum(fem - thickness, -(fem + 0.2))
        section = self.menisci.field(p, tibia, femur)
        solid = torch.minimum(torch.minimum(fem, femoral), torch.minimum(tib, tibial))
        meniscus = torch.maximum(section.distance, -solid)
        above = p.z - section.middle_height
        envelope = self._envelope(p, depth, height, section.border, above)
        return Shape(
            p, tib, fem, tibial, femoral, meniscus, section, depth, height, rim, above, envelope
        )

    def _envelope(
        self, p: Points, depth: Tensor, height: Tensor, border: Tensor, above: Tensor
    ) -> Tensor:
        share = torch.sigmoid(above / 1.5)
        wall = (1 - share) * self.tibia.wall(p, depth.clamp(min=1.5))
        wall = wall + share * self.femur.wall(p, height.clamp(min=5))
        meniscal = p.outward - border + 0.3
        meniscal = meniscal - (above.abs() - 2).clamp(min=0) ** 2 / self.squeeze
        return p.outward - smooth_max(wall, meniscal, 1.5)

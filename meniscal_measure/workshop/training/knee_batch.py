"""One batch of synthetic knees: everything of their shape, evaluated at points."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.workshop.training.distal_femur import FemurBatch
from meniscal_measure.workshop.training.fields import Draw, Points, bump, smooth_max, smooth_min
from meniscal_measure.workshop.training.menisci import Menisci, MeniscusField
from meniscal_measure.workshop.training.proximal_tibia import TibiaBatch
from meniscal_measure.workshop.training.shape_figures import ShapeFigures

RECESS_SHARE = 0.3
"""Share of joint margins whose recess is swollen."""
SPUR_SHARE = 0.1
"""Share of joint margins with an osteophyte, worn compartments more often."""


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
    """A batch of knees drawn at random.

    Parameters
    ----------
    draw
        Source of randomness.
    even_share
        Share of menisci whose extrusion is drawn evenly.
    wide_share
        Share of knees whose joint margins vary more than those of real ones.
    """

    def __init__(self, draw: Draw, *, even_share: float = 0.75, wide_share: float = 0.0) -> None:
        self.draw = draw
        self.figures = ShapeFigures(draw)
        self.tibia = TibiaBatch(draw, self.figures, draw.chance(wide_share))
        self.femur = FemurBatch(draw, self.tibia, self.figures)
        self.menisci = Menisci(draw, even_share=even_share)
        self.spur = [draw.uniform(0.5, 4) for _ in range(4)]
        self.squeeze = draw.uniform(8, 60)
        self.notch_margin = draw.uniform(0.8, 1.2)
        u, two = draw.uniform, (0, 1)
        bulge = [draw.chance(RECESS_SHARE) * u(1, 7) for _ in two]
        self.recess = [(bulge[side], u(-9, 12), u(3, 9)) for side in two]

    def bones(self, p: Points) -> tuple[Tensor, Tensor]:
        """Signed distances of femur and tibia, osteophytes left out."""
        return self.femur.distance(p), self.tibia.distance(p)

    def cartilages(self, p: Points, femur: Tensor, tibia: Tensor) -> tuple[Tensor, Tensor]:
        """Signed distances of femoral and tibial cartilage."""
        uneven = (1 + 0.18 * self.draw.waves((p.x, p.y, p.z), 9)).clamp(0.3, 1.7)
        tibial = torch.maximum(tibia - self.tibia.cartilage_thickness(p) * uneven, -(tibia + 0.2))
        tibial = torch.maximum(tibial, -p.z - 3)
        thickness = self.femur.cartilage_thickness(p) * uneven
        mouth = self.femur.notch_half_width(p) + 4
        notch = (p.x - self.femur.notch_x).abs() - self.notch_margin * mouth
        thickness = thickness * torch.where(p.y > -14, (notch / 4).clamp(0, 1), 1)
        return torch.maximum(femur - thickness, -(femur + 0.2)), tibial

    def shape(self, p: Points) -> Shape:
        """Evaluate the knee."""
        femur, tibia = self._with_spurs(p, *self.bones(p))
        femoral, tibial = self.cartilages(p, femur, tibia)
        section = self.menisci.field(p, self.tibia, self.femur)
        solid = torch.minimum(torch.minimum(femur, femoral), torch.minimum(tibia, tibial))
        meniscus = torch.maximum(section.distance, -solid)
        depth, height, above = -p.z, self.femur.height(p), p.z - section.middle_height
        envelope = self._envelope(p, depth, height, section.border, above)
        rim = self.tibia.outline.half_width(p)
        return Shape(
            *(p, tibia, femur, tibial, femoral, meniscus, section),
            *(depth, height, rim, above, envelope),
        )

    def _with_spurs(self, p: Points, femur: Tensor, tibia: Tensor) -> tuple[Tensor, Tensor]:
        """Add osteophytes to the joint margins; they do not move the rim."""
        height = self.femur.height(p)
        for side, sign in enumerate((-1.0, 1.0)):
            below, above = self.spur[2 * side : 2 * side + 2]
            likely = SPUR_SHARE + 0.3 * self.tibia.worn[side]
            x = p.x - sign * self.tibia.outline.half_width(p)
            tibia = _with_osteophyte(self.draw, tibia, (x, p.z + below), likely)
            x = p.x - sign * self.femur.outline.half_width(p)
            at = height - self.femur.shape(p) - 4 - above
            femur = _with_osteophyte(self.draw, femur, (x, at), likely)
        return femur, tibia

    def _envelope(
        self, p: Points, depth: Tensor, height: Tensor, border: Tensor, above: Tensor
    ) -> Tensor:
        share = torch.sigmoid(above / 1.5)
        wall = (1 - share) * self.tibia.wall(p, depth.clamp(min=1.5))
        wall = wall + share * self.femur.wall(p, height.clamp(min=5))
        meniscal = p.outward - border + 0.3
        meniscal = meniscal - (above.abs() - 2).clamp(min=0) ** 2 / self.squeeze
        swollen = [size * bump((above - level) / long) for size, level, long in self.recess]
        return p.outward - smooth_max(wall, meniscal, 1.5) - torch.lerp(*swollen, p.medial)


def _with_osteophyte(
    draw: Draw, bone: Tensor, place: tuple[Tensor, Tensor], likely: Tensor
) -> Tensor:
    """Add a bony spur to some knees; coordinates are relative to its root."""
    u, (x, z) = draw.uniform, place
    across, along = u(0.8, 5), u(1, 3.6)
    spur = (torch.sqrt((x / across) ** 2 + (z / along) ** 2) - 1) * torch.minimum(across, along)
    return torch.where(u(0, 1) < likely, smooth_min(bone, spur, 2.0), bone)

"""Shape of the femoral condyles, set upon a tibia, with the notch between them."""

from __future__ import annotations

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import (
    Draw,
    Points,
    Sided,
    bump,
    rounded_corner,
    smooth_max,
    smooth_step,
)
from meniscal_measure.workshop.training.outline import Outline
from meniscal_measure.workshop.training.proximal_tibia import COMPARTMENT_MM, TibiaBatch
from meniscal_measure.workshop.training.shape_figures import ShapeFigures

OUT_MM = (-2.6, 1.6)
"""Mean of how far the femur stands out beyond the rims near the joint, lateral and medial."""
ANYWHERE_MM = (-6.0, 4.5)
"""The same, in knees that are drawn wider than real ones."""
CORNER = 0.68
"""Radius of the rounding over that of a circle through 5 mm of outline on either side of it."""
INNER_MM = 12.0
"""The condyles rise towards the notch over this width only; the notch is cut into the rest."""
SHAFT_LEAN = 0.2
"""The back of the shaft leans forward by so much per mm above the notch (a sagittal series of
the open knee; about 12 degrees)."""
NARROW_MM = 0.45
"""Gaps between the bones are no narrower than this."""


class FemurBatch:
    """A distal femur drawn at random and set upon a tibia at gaps that real knees have."""

    def __init__(self, draw: Draw, tibia: TibiaBatch, figures: ShapeFigures) -> None:
        u = draw.uniform
        self.tibia, self.figures = tibia, figures
        edge: Sided = (
            tibia.half + OUT_MM[0] + 1.65 * figures.standard("fem_corner_dx_L"),
            tibia.half + OUT_MM[1] + 1.6 * figures.standard("fem_corner_dx_M"),
        )
        edge = (self._widened(draw, edge[0]), self._widened(draw, edge[1]))
        self.axis: Sided = (0.54 * edge[0], 0.5 * edge[1])
        reach = (edge[0] - self.axis[0], edge[1] - self.axis[1])
        self.outline = Outline(
            self.axis, reach, (u(5, 10), u(9, 14)), (u(31, 37), u(31, 37)), u(2.2, 2.7)
        )
        self.low: Sided = (draw.normal(11.4, 2.6).clamp(5, 18), draw.normal(10.1, 2.6).clamp(4, 17))
        self.bow: Sided = (draw.normal(0.032, 0.0035), draw.normal(0.022, 0.003))
        self._draw_gaps(draw)
        self.epicondyle: Sided = (draw.normal(4.2, 1.3), draw.normal(4.8, 1.2))
        self.epicondyle_start: Sided = (u(-1, 3), u(5, 9))
        self.epicondyle_height = u(17, 28)
        self.taper_start: Sided = (u(26, 42), u(26, 42))
        self.taper_length: Sided = (u(22, 50), u(22, 50))
        self.shaft_width = u(13, 22)
        self.notch_x, self.notch_flare = draw.normal(0, 1.3), draw.normal(0.45, 0.1)
        self.notch_open = draw.normal(3.8, 2.2)
        self.shaft_back, self.condyle_back = self.notch_open + u(-1, 3), draw.normal(26, 2)
        self.notch_blend = u(2, 5)
        self.groove_side, self.groove_chance = draw.sign(), draw.chance(0.45)
        self.groove = (u(0, 3), u(8, 16), u(0.5, 1), u(1, 4))
        self.cartilage: Sided = (
            draw.normal(1.85, 0.4) * (1 - tibia.worn[0] * u(0.2, 1)),
            draw.normal(1.94, 0.6).clamp(min=0.5) * (1 - tibia.worn[1] * u(0.2, 1)),
        )
        self.cartilage_rim, self.cartilage_top = u(3, 7), u(9, 20)

    def _widened(self, draw: Draw, edge: Tensor) -> Tensor:
        """Where the tibia is drawn wide, let the femur end anywhere inside or beyond the rim."""
        anywhere = self.tibia.half + draw.uniform(*ANYWHERE_MM)
        return torch.where(self.tibia.wide > 0, anywhere, edge)

    def _draw_gaps(self, draw: Draw) -> None:
        """Distance between the bones in the middle of each compartment, and how it widens."""
        u, worn = draw.uniform, self.tibia.worn
        collapse = (worn[0] * u(0, 2.5), worn[1] * u(0, 3))
        self.gap: Sided = (
            (self.figures.constant("gap_c_L") - collapse[0]).clamp(min=1),
            (self.figures.constant("gap_c_M") - 0.35 - collapse[1]).clamp(min=1),
        )
        self.contact: Sided = (draw.normal(-1, 1.5), draw.normal(-6.5, 2))
        self.front: Sided = (draw.normal(0.0135, 0.004), draw.normal(0.010, 0.003))
        self.back: Sided = (draw.normal(0.0214, 0.004), draw.normal(0.0125, 0.0025))

    def sagittal_gap(self, p: Points) -> Tensor:
        """Distance between the bones in the middle of the compartment at this depth."""
        along = p.y - p.pick(self.contact)
        curve = torch.where(along > 0, p.pick(self.back), p.pick(self.front))
        beyond = (p.y.abs() - 12).clamp(min=0)
        gap = p.pick(self.gap) + curve.clamp(min=0.003) * along**2 + 0.02 * beyond**2
        return gap.clamp(min=NARROW_MM)

    def lowest(self, p: Points) -> Tensor:
        """Height of the lowest line of the condyle at this depth from front to back."""
        return p.once(self, "lowest", self._lowest)

    def _lowest(self, p: Points) -> Tensor:
        middle = self.tibia.surface(p, COMPARTMENT_MM) + self.sagittal_gap(p)
        return middle - p.pick(self.bow) * (p.pick(self.low) - COMPARTMENT_MM) ** 2

    def height(self, p: Points) -> Tensor:
        """Height above the lowest line of the condyle."""
        return p.z - self.lowest(p)

    def shape(self, p: Points) -> Tensor:
        """Height of the condylar surface above its lowest line, the outer corner left out."""
        low = p.pick(self.low) - 0.13 * p.y.clamp(0, 14)
        away = p.outward - (self.tibia.outline.half_width(p).clamp(min=26) - low)
        return p.pick(self.bow) * away.clamp(min=-INNER_MM) ** 2

    def corner(self, p: Points) -> Tensor:
        """Radius of the outer corner."""
        return p.once(
            self, "corner", lambda q: CORNER * self.figures.sided("femR5", q).clamp(2, 13)
        )

    def underside(self, p: Points) -> Tensor:
        """Height of the condylar surface, the rounded outer corner included."""
        radius = self.corner(p)
        t = (p.outward - (self.outline.half_width(p) - radius)).clamp(min=0)
        t = torch.minimum(t, radius * 0.98)
        return self.lowest(p) + self.shape(p) + radius - torch.sqrt(radius**2 - t**2)

    def wall(self, p: Points, height: Tensor) -> Tensor:
        """Half width of the bone at `height` above its lowest line."""
        width, h = self.outline.half_width(p), height.clamp(min=0)
        fading = smooth_step((p.y + p.pick(self.epicondyle_start)) / 17)
        bulge = p.pick(self.epicondyle) * (1 - fading) * bump((h - self.epicondyle_height) / 8)
        taper = smooth_step((h - p.pick(self.taper_start)) / p.pick(self.taper_length))
        return width + bulge - (width - self.shaft_width).clamp(min=0) * taper

    def distance(self, p: Points) -> Tensor:
        """Signed distance of the bone, osteophytes left out."""
        height, radius = self.height(p), self.corner(p)
        out = p.outward - (self.wall(p, height) - radius)
        bone = rounded_corner(out, self.shape(p) + radius - height, radius)
        bone = torch.where(
            self.groove_chance > 0, smooth_max(bone, -self._groove(p, height), 2.0), bone
        )
        bone = smooth_max(bone, -self._notch(p, height), self.notch_blend)
        level = p.z - 4
        span = self.condyle_back - self.shaft_back
        back = self.condyle_back - span * smooth_step((level - 16) / 26)
        back = back - SHAFT_LEAN * (level - 28).clamp(min=0)
        front = 34 - 10 * smooth_step((level - 20) / 30)
        return smooth_max(smooth_max(bone, (p.y - back) * 0.7, 8.0), (-p.y - front) * 0.7, 5.0)

    def _groove(self, p: Points, height: Tensor) -> Tensor:
        """Groove for the popliteus tendon or below the epicondyle, on one side."""
        x, h, squash, size = self.groove
        near = (p.x - self.groove_side * (self.outline.half_width(p) + x)) ** 2
        return torch.sqrt(near + ((height - h) * squash) ** 2) - size

    def roof(self, p: Points) -> Tensor:
        """Height of the roof of the notch above the condyles; behind, it opens to the back."""
        opened = (p.y - self.notch_open).clamp(min=0)
        return self.figures.along("notch_h", p.y).clamp(min=4.5) + 8 * opened

    def notch_half_width(self, p: Points) -> Tensor:
        """Half the width of the notch at half its height."""
        return (self.figures.along("notch_w50", p.y) / 2).clamp(3.5, 14)

    def _notch(self, p: Points, height: Tensor) -> Tensor:
        width = self.notch_half_width(p) - 0.4
        roof = self.roof(p)
        flare = self.notch_flare * (0.55 * roof.clamp(max=26) - height).clamp(0, 14)
        radius = 0.8 * width
        out = (p.x - self.notch_x).abs() - width * 0.2 - flare
        return rounded_corner(out, height - (roof - radius), radius)

    def cartilage_thickness(self, p: Points) -> Tensor:
        """Thickness of the cartilage of the condyles; behind it is thicker."""
        y = p.y.clamp(-16, 16)
        return p.pick(self.cartilage) * (1 + 0.022 * y + 0.0008 * y**2) * self._reach(p)

    def _reach(self, p: Points) -> Tensor:
        """Where there is cartilage, 0 to 1."""
        height = self.height(p)
        rim = smooth_step((self.outline.half_width(p) + 1.5 - p.outward) / self.cartilage_rim)
        return rim * smooth_step((self.cartilage_top + 0.4 * (p.y.abs() - 8) - height) / 5)

"""Shape of the tibial plateau with its spines, walls and cartilage."""

from __future__ import annotations

import math

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
from meniscal_measure.workshop.training.shape_figures import ShapeFigures

DROP = 1 - math.sqrt(0.5)
"""In its middle the rounded corner lies this share of its radius lower than its top, and as far
inward of its outermost point."""
COMPARTMENT_MM = 10.6
"""The middle of a compartment lies this far inward of the rim, half-way to the foot of a spine."""
BASE_MM = 21.2
"""So far inward of the rim lies the foot of the spine."""
SHOULDER_MM, SHOULDER_WIDTH_MM = 3.0, 4.5
"""Near the rim the plateau rises over the line from the foot of the spine to the rim."""
BOWL_MM, BOWL_WIDTH_MM = 13.0, 5.5
"""Further inward it lies below that line."""
WALL_LENGTH_MM = 30.0
"""Over this depth the slope of the wall dies away."""
WALL_GAIN = 1.26
"""Slope at the rim over that between 2 and 12 mm below it, which is what was measured."""
SPINE_DRIFT = 0.2
"""In front of the apex both spines lie further to the lateral side, by so much for each mm."""
SPINE_GAIN_MM = (1.1, 0.0)
"""What the lateral spine loses in height since its crest does not run straight to the back."""
WORN_SHARE = 0.15
"""Share of knees whose cartilage is worn, in one compartment or both."""
FALL_MM = 9.0
"""A border that falls away does so over no more than this."""
FIXED_POINT_STEPS = 12


class TibiaBatch:
    """A tibia drawn at random, one for each knee of the batch.

    Where `wide` is 1 its joint margin is drawn evenly from all that is plausible, however rare:
    sharp and round corners, borders of the plateau that fall away, walls that flare out or in just
    below the rim, cartilage that thins over any width.
    """

    def __init__(self, draw: Draw, figures: ShapeFigures, wide: Tensor) -> None:
        u = draw.uniform
        self.figures, self.wide = figures, wide
        half = figures.constant("width").clamp(52, 98) / 2
        self.half = half
        share = (u(0.48, 0.58), u(0.48, 0.58))
        self.centre: Sided = (share[0] * half, share[1] * half)
        middle = draw.normal(-0.35, 1.8)
        middles = (middle + u(-1, 1), middle + u(-1, 1))
        lengths = [figures.constant(name).clamp(26, 56) / 2 for name in ("ap_L", "ap_M")]
        self.outline = Outline(
            self.centre,
            (half - self.centre[0], half - self.centre[1]),
            middles,
            (lengths[0] * 1.1, lengths[1] * 1.1),
            u(2.0, 2.7),
        )
        self.middle_y = (middles[0] + middles[1]) / 2
        self.corner: Sided = (
            torch.where(wide > 0, u(0.5, 4), _log_normal(figures.standard("rimR_L"), 1.9, 0.35)),
            torch.where(wide > 0, u(0.5, 4), _log_normal(figures.standard("rimR_M"), 1.7, 0.35)),
        )
        self.fall: Sided = (wide * u(0, 0.05), wide * u(0, 0.04))
        self.fall_width: Sided = (u(2.5, 8), u(2.5, 8))
        self.flare: Sided = (wide * u(-3, 2), wide * u(-3, 2))
        self.flare_depth: Sided = (u(3.5, 8), u(3.5, 8))
        self.shoulder: Sided = (u(0.3, 0.9), u(0.3, 0.9))
        self.bowl: Sided = (
            0.2 + 0.5 * figures.standard("sag_mid_L") + wide * u(-1, 1.5),
            0.35 + 0.36 * figures.standard("sag_mid_M") + wide * u(-1, 2),
        )
        self.rise: Sided = (wide * u(-0.12, 0.12), wide * u(-0.12, 0.15))
        self.spine_shift = draw.normal(1.0, 0.9)
        self.spine_lag = draw.normal(1.34, 1.3)
        self.spine_width: Sided = (draw.normal(5.8, 0.5), draw.normal(5.5, 0.5))
        self.taper_start: Sided = (u(10, 20), u(10, 20))
        self.taper_length: Sided = (u(25, 60), u(25, 60))
        self.shaft_width = u(10, 22)
        self._draw_cartilage(draw)

    def _draw_cartilage(self, draw: Draw) -> None:
        u, worn = draw.uniform, draw.chance(WORN_SHARE)
        self.worn: Sided = (worn * draw.chance(0.4), worn * draw.chance(0.7))
        self.cartilage_loss: Sided = (
            (1 - self.worn[0] * u(0.2, 1)) * (1 + self.wide * u(-0.6, 0.5)),
            (1 - self.worn[1] * u(0.2, 1)) * (1 + self.wide * u(-0.6, 0.5)),
        )
        self.cartilage_end: Sided = (
            draw.normal(0.36, 0.7) + self.worn[0] * u(0, 7),
            draw.normal(0.58, 0.6) + self.worn[1] * u(0, 7),
        )
        self.cartilage_inner: Sided = (
            self.half - draw.normal(24.4, 2.8),
            self.half - draw.normal(26.2, 2.8),
        )
        self.cartilage_taper: Sided = (u(1, 9), u(1, 9))
        thinned = self.wide * draw.chance(0.7)
        self.thinned: Sided = (thinned, thinned)

    def border(self, p: Points) -> Tensor:
        """Distance of the wall from the mid-sagittal plane at the level of the plateau."""
        return p.once(self, "border", self._border)

    def _border(self, p: Points) -> Tensor:
        lean = 1 + p.once(self, "lean", self._lean)
        return self.outline.half_width(p) + DROP * p.pick(self.corner) * lean

    def _lean(self, p: Points) -> Tensor:
        """Inward slope of the wall just below the rim."""
        degrees = self.figures.sided("wall", p).clamp(-28, 38)
        return WALL_GAIN * torch.tan(degrees * (math.pi / 180))

    def plateau(self, p: Points) -> Tensor:
        """Height of the bony plateau above the line of the rims, spines included."""
        inward = self.outline.half_width(p) - p.outward
        return p.once(self, "plateau", lambda q: self.surface(q, inward) + self._spines(q))

    def surface(self, p: Points, inward: Tensor | float) -> Tensor:
        """Height of a compartment's surface so far inward of the rim, spines left out."""
        tilt = self.figures.sided("tilt", p)
        shoulder, bowl = p.pick(self.shoulder), p.pick(self.bowl)
        slope = (0.9 * shoulder) / (BASE_MM - SHOULDER_MM) - torch.tan(tilt * (math.pi / 180))
        slope = slope - p.pick(self.rise)
        inward = torch.as_tensor(inward, device=tilt.device).clamp(-3, BASE_MM + 2)
        rise = bump((inward - SHOULDER_MM) / SHOULDER_WIDTH_MM)
        start = math.exp(-((SHOULDER_MM / SHOULDER_WIDTH_MM) ** 2))
        hollow = bump((inward - BOWL_MM) / BOWL_WIDTH_MM)
        top = DROP * p.pick(self.corner)
        surface = top + shoulder * (rise - start) - bowl * hollow + slope * inward
        return surface + self._fall(p, inward)

    def _fall(self, p: Points, inward: Tensor) -> Tensor:
        """Height over the rim where the border of the plateau falls away towards it."""
        width = p.pick(self.fall_width)
        return p.pick(self.fall) * (width**2 - (width - inward).clamp(0, FALL_MM) ** 2)

    def spine_places(self, y: Tensor) -> Sided:
        """Medial coordinate of the crests of the lateral and of the medial spine."""
        apart = self.figures.along("spine_sep", y).clamp(min=5)
        middle = self.spine_shift + SPINE_DRIFT * y.clamp(-12, 0)
        return middle - apart / 2, middle + apart / 2

    def _spines(self, p: Points) -> Tensor:
        height = torch.zeros_like(p.z)
        foot = self.surface(p, BASE_MM + 2)
        lag = (self.spine_lag - 1.34, torch.zeros_like(self.spine_lag))
        for side, place in enumerate(self.spine_places(p.y)):
            name = ("spine_h_L", "spine_h_M")[side]
            tall = (self.figures.along(name, p.y - lag[side]) + SPINE_GAIN_MM[side] - foot).clamp(
                min=0.3
            )
            fading = smooth_step((p.pick(self.outline.length) + 1 - p.y.abs()) / 9)
            height = height + tall * fading * bump((p.x - place) / self.spine_width[side])
        return height

    def wall(self, p: Points, depth: Tensor) -> Tensor:
        """Half width of the bone at `depth` below the line of the rims."""
        lean = p.once(self, "lean", self._lean)
        below = (depth + DROP * p.pick(self.corner)).clamp(min=0)
        inward = lean * WALL_LENGTH_MM * (1 - torch.exp(-below / WALL_LENGTH_MM))
        flare = p.pick(self.flare) * (1 - torch.exp(-below / p.pick(self.flare_depth)))
        width = self.border(p) - inward + flare
        taper = smooth_step((depth - p.pick(self.taper_start)) / p.pick(self.taper_length))
        return width - (width - self.shaft_width).clamp(min=0) * taper

    def distance(self, p: Points) -> Tensor:
        """Signed distance of the bone, osteophytes left out."""
        depth, radius = -p.z, p.pick(self.corner)
        out = p.outward - (self.wall(p, depth) - radius)
        body = rounded_corner(out, p.z - (self.plateau(p) - radius), radius)
        length, middle = p.pick(self.outline.length), p.pick(self.outline.middle)
        back = middle + length + 1 - 17 * smooth_step(depth / 35)
        front = -middle + length + 1 + 6 * smooth_step(depth / 30)
        return smooth_max(smooth_max(body, (p.y - back) * 0.7, 4.0), (-p.y - front) * 0.7, 4.0)

    def cartilage_thickness(self, p: Points) -> Tensor:
        """Thickness of the tibial cartilage, thinning towards the rim and the spines."""
        return p.once(self, "cartilage", self._cartilage_thickness)

    def _cartilage_thickness(self, p: Points) -> Tensor:
        margin = self.outline.depth_inside(p)
        inner = smooth_step((p.outward - p.pick(self.cartilage_inner)) / 5)
        profile = 0.56 + 0.44 * smooth_step(margin / 10)
        ended = smooth_step((margin - p.pick(self.cartilage_end) + 1) / 1.4)
        tapering = smooth_step((margin + 0.5) / p.pick(self.cartilage_taper))
        profile = torch.lerp(profile, tapering, p.pick(self.thinned))
        centre = torch.lerp(
            self.figures.along("tcart_c_L", p.y), self.figures.constant("tcart_c_M"), p.medial
        )
        return centre.clamp(min=0.4) * p.pick(self.cartilage_loss) * profile * ended * inner

    def rims(self, p: Points) -> tuple[Tensor, Tensor]:
        """Outward coordinate and height of the rim at each point's side and depth.

        The rim is the middle of the rounded corner: half-way through the turn from the plateau,
        level or falling, to the wall. Osteophytes do not move it.

        Parameters
        ----------
        p
            Points whose last axis holds the sides; only their side and depth matter.
        """
        inset = DROP * p.pick(self.corner)
        side, out, z = p.x.sign(), self.border(p), torch.zeros_like(p.x)
        for _ in range(FIXED_POINT_STEPS):
            q = Points(side * out, p.y, z)
            out = (out + self.wall(q, -z) - inset) / 2
            z = (z + self.plateau(q) - inset) / 2
        return out, z


def _log_normal(standard: Tensor, median: float, sigma: float) -> Tensor:
    return (median * torch.exp(sigma * standard)).clamp(0.4, 4.5)

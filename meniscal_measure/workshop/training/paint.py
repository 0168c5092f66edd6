"""Filling the synthetic knee with tissue: water and fat signal at every point.

What lies against the meniscus matters most: fluid pockets, tendons, the capsule, the collateral
ligaments, and the grey menisco-capsular tissue are laid there on purpose, since these are what a
locator confuses with the outer meniscal edge.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import (
    Draw,
    bump,
    cover,
    smooth_max,
    smooth_step,
)
from meniscal_measure.workshop.training.knee import Shape

Signal = dict[str, Tensor]


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


def _surroundings(c: Canvas) -> None:
    """Subcutaneous fat with septa, muscle, recess tissue."""
    u, p, s = c.draw.uniform, c.points, c.signal
    fat_depth = (torch.exp(c.draw.normal(2.3, 0.55)).clamp(3, 38),) * 2
    skin = c.shape.rim.clamp(min=24) + p.pick(fat_depth)
    skin = skin + 2.5 * c.draw.waves((p.x, p.y, p.z), 30)
    skin = p.outward - smooth_max(skin, p.outward - c.shape.envelope + u(2, 4), 6.0)
    fat = s["fat"] * c.grain(10, u(0, 0.12)) * c.grain(3, u(0, 0.08))
    septa = bump(c.draw.waves((p.x, p.y, p.z), 6) / 0.06) * c.draw.chance(0.6) * u(0.1, 0.5)
    c.fat = fat * (1 - septa)
    outside = c.shape.envelope
    far = smooth_step((p.z.abs() - u(8, 26)) / 12)
    patch = c.draw.waves((p.x, p.y, p.z), 30) + u(-1.6, 1.6) - 3 * (1 - far)
    muscle = torch.sigmoid(patch / 0.06) * cover(u(0, 4) - outside, 0.4)
    muscle = muscle * cover(skin + u(2, 12), 0.4)
    c.over(muscle, s["muscle"] * c.grain(6, u(0, 0.15)))
    recess = cover(outside - u(-0.5, 1.5), 0.4) * smooth_step((45 - p.z.abs()) / 10)
    c.over(
        recess * c.draw.chance(0.8), s["synovium"] * c.grain(4, 0.2) * u(0, 1), s["fat"] * u(0, 1)
    )
    c.skin = skin


def _joint_contents(c: Canvas) -> None:
    """Fat pad and synovium between the bones, effusion, joint space, cruciate ligaments."""
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    inner = cover(p.outward - shape.rim * u(0.7, 0.95), 1.0)
    inner = inner * smooth_step((u(28, 45) - p.z.abs()) / 15)
    mix = torch.sigmoid((c.draw.waves((p.x, p.y, p.z), 5) + u(-1, 1)) / 0.15)
    c.over(inner, s["synovium"] * mix * c.grain(4, 0.25), s["fat"] * (1 - mix) * c.grain(4, 0.15))
    behind = torch.sigmoid((p.y - u(20, 28)) / 1.5) * torch.sigmoid(
        (c.draw.waves((p.x, p.y, p.z), 28) + u(-1, 1.5)) / 0.1
    )
    c.over(behind * inner, s["muscle"] * c.grain(6, 0.1))
    pool = torch.sigmoid((c.draw.waves((p.x, p.y, p.z), 9) + u(-0.8, 0.8)) / 0.08)
    pool = pool * cover((shape.height - u(4, 25)).abs() - u(4, 18), 1.0)
    c.over(pool * cover(shape.envelope - u(0, 3.5), 0.5) * c.draw.chance(0.4), s["fluid"])
    space = torch.sigmoid((2 - shape.depth.abs()) / 1.0) * cover(
        p.outward - shape.rim + u(-2, 3), 0.7
    )
    filling = torch.where(
        c.draw.chance(0.6) > 0, s["fluid"], 0.5 * s["synovium"] + 0.5 * s["cartilage"]
    )
    c.over(space * smooth_step((p.outward - 3) / 6), filling)
    for forward in (-1.0, 1.0):
        x = p.x - u(-5, 5) - forward * 0.25 * p.y
        ligament = c.blob(
            x, shape.height - u(1, 14) - u(0, 0.8) * p.y, (u(2, 4.5), u(3, 13)), u(-0.9, 0.9)
        )
        grey = s["ligament"] * c.grain(3, 0.4) + u(0, 0.15)
        c.over(cover(ligament, 0.5) * c.draw.chance(0.8), grey)


def _fibula(c: Canvas) -> None:
    """Fibular head behind and lateral, below the joint."""
    u, p = c.draw.uniform, c.points
    x, y, z = (
        p.x + c.shape.rim.amax((2, 3), keepdim=True) * u(0.85, 1.0),
        p.y - u(14, 24),
        p.z + u(17, 32),
    )
    below = (-z).clamp(min=0) / u(2.5, 6)
    head = torch.sqrt(
        ((x - 0.2 * below) / u(7, 11)) ** 2
        + (y / u(8, 12)) ** 2
        + ((z + below) / u(8, 13)) ** 2
        + 1e-6
    )
    head = (head - 1) * 8
    c.over(cover(head - u(0.4, 1.2), c.edge), c.signal["cortex"])
    c.over(cover(head, c.edge), None, c.signal["marrow"] * c.grain(5, 0.08))


def _bands(c: Canvas) -> None:
    """Capsule, collateral ligaments and retinacula: dark bands along the envelope."""
    u, p, s = c.draw.uniform, c.points, c.signal
    pair = lambda low, high: (u(low, high), u(low, high))  # noqa: E731
    rare = lambda chance: (c.draw.chance(chance), c.draw.chance(chance))  # noqa: E731
    near, thick, some = p.pick(pair(-0.3, 1.0)), p.pick(pair(0.3, 1.4)), p.pick(rare(0.8))
    reach = smooth_step((p.pick(pair(8, 30)) - c.shape.above_meniscus.abs()) / 4)
    c.over(cover((c.shape.envelope - near).abs() - thick / 2, c.edge) * reach * some, s["ligament"])
    for chance in (0.8, 0.6):
        gap, thick = p.pick(pair(-0.2, 6)), p.pick(pair(1.0, 4.5))
        wander = p.pick(pair(-1, 1)) * c.draw.waves((p.x, p.y, p.z), 22)
        band = (c.shape.envelope - gap - thick / 2 + wander).abs() - thick / 2
        up = smooth_step((p.pick(pair(5, 38)) - c.shape.above_meniscus) / 4)
        down = smooth_step((p.pick(pair(5, 45)) + c.shape.above_meniscus) / 4)
        breadth = cover((p.y - p.pick(pair(-8, 8))).abs() - p.pick(pair(4, 30)), 1.0)
        grey = torch.where(c.draw.chance(0.25) > 0, u(0.1, 0.45), s["ligament"])
        some = p.pick(rare(chance))
        c.over(cover(band, c.edge) * up * down * breadth * some, grey * c.grain(3, 0.25))


def _margin(c: Canvas) -> None:
    """Lay tissue against the outer border: menisco-capsular tissue, fat, fluid, tendons."""
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    outside = shape.section.border
    for medial in (0.0, 1.0):
        here = torch.sigmoid((p.x if medial else -p.x) / 1.0) * cover(-outside - 0.5, 0.3)
        layer = cover(outside - u(0.3, 3.5), c.edge) * cover(
            shape.above_meniscus.abs() - u(3, 9), 0.8
        )
        mixed = u(0, 1)
        grey = s["ligament"] * mixed + s["synovium"] * (1 - mixed)
        c.over(layer * here * c.draw.chance(0.55), grey * c.grain(2.5, u(0.1, 0.5)))
        pockets = (
            (0.28, (0.8, 3.5), (1.5, 7.0), "fluid"),
            (0.22, (0.6, 2.5), (1.2, 5.0), "fluid"),
            (0.35, (0.9, 2.6), (2.5, 8.0), "ligament"),
            (0.22, (0.8, 3.0), (2.0, 7.0), "synovium"),
            (0.25, (0.6, 2.5), (2.0, 9.0), "fat"),
        )
        for chance, short, long, tissue in pockets:
            size = (u(*short), u(*long))
            pocket = c.blob(
                outside - size[0] - u(-0.5, 2.5),
                shape.above_meniscus - u(-9, 10),
                size,
                u(-0.5, 0.5),
            )
            pocket = pocket + 0.5 * c.draw.waves((p.x, p.y, p.z), 3)
            present = here * c.draw.chance(chance) * cover((p.y - u(-12, 12)).abs() - u(3, 25), 1.0)
            if tissue == "ligament":
                c.over(
                    cover(pocket - u(0.5, 1.2), c.edge) * present * c.draw.chance(0.5), s["fluid"]
                )
            value = s[tissue] * c.grain(4, 0.15)
            c.over(
                cover(pocket, c.edge) * present, *((None, value) if tissue == "fat" else (value,))
            )


def _film(c: Canvas) -> None:
    """Fluid or synovium between the meniscus and what it lies against, here and there."""
    u, p, shape = c.draw.uniform, c.points, c.shape
    film = cover(shape.meniscus - u(0.3, 2.5), c.edge) * cover(shape.rim - u(0, 9) - p.outward, 0.8)
    present = p.pick((c.draw.chance(0.4), c.draw.chance(0.4)))
    patchy = torch.sigmoid((c.draw.waves((p.x, p.y, p.z), 4) + u(-1, 2)) / 0.2)
    wet = torch.where(c.draw.chance(0.7) > 0, c.signal["fluid"], c.signal["synovium"])
    c.over(film * patchy * present, wet)


def _menisci(c: Canvas) -> None:
    """Lay the menisci with degeneration and tears."""
    u, s, p, section = c.draw.uniform, c.signal, c.points, c.shape.section
    body = s["meniscus"] * c.grain(4, u(0, 0.35))
    pair = lambda low, high: p.pick((u(low, high), u(low, high)))  # noqa: E731
    rare = lambda chance: p.pick((c.draw.chance(chance), c.draw.chance(chance)))  # noqa: E731
    worn = bump((section.across - pair(0.5, 0.8)) / 0.25) * bump((section.up - 0.35) / 0.25)
    line = section.up - pair(0.2, 0.6) - pair(-0.7, 0.7) * (section.across - 0.6)
    tear = bump(line * 6 / pair(0.7, 2)) * cover(
        (section.across - pair(0.4, 0.9)).abs() - pair(0.1, 0.4), 0.05
    )
    frayed = smooth_step((section.across - pair(0.7, 0.95)) / 0.15) * pair(0, 0.6) * rare(0.3)
    signal = body + worn * pair(0.1, 0.5) * rare(0.35) * s["cartilage"]
    signal = signal + tear * pair(0.2, 0.9) * rare(0.25) * s["fluid"]
    signal = signal + frayed * (s["synovium"] - body) * (0.5 + 0.5 * c.draw.texture(p.x, 2.5))
    c.over(cover(c.shape.meniscus, c.edge), signal)


def _bones(c: Canvas) -> None:
    """Cartilage, cortex and marrow with oedema and growth-plate scars."""
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    layered = 1 + u(-0.3, 0.3) * ((shape.femur / 2).clamp(0, 1) - 0.5)
    grain = c.grain(5, u(0, 0.12))
    c.over(cover(shape.femoral_cartilage, c.edge), s["cartilage"] * grain * layered)
    c.over(cover(shape.tibial_cartilage, c.edge), s["cartilage"] * grain * u(0.8, 1.2))
    cortex = u(0.35, 1.3) * torch.exp(u(0, 0.6) * c.draw.waves((p.x, p.y, p.z), 8))
    rim_side = bump((shape.rim - p.outward) / u(2, 9)) * bump(shape.depth / u(3, 10))
    thinned = p.pick((u(0, 1), u(0, 1))) * c.draw.chance(0.7) * rim_side
    cortex = (cortex * (1 - thinned)).clamp(0.03, 2)
    patch = c.draw.waves((p.x, p.y, p.z), 11) + 0.3 * c.draw.waves((p.x, p.y, p.z), 4)
    oedema = torch.sigmoid((patch - u(0.6, 2.4)) / u(0.05, 0.6)) * c.draw.chance(0.5)
    scar = bump((p.z + u(10, 26) + c.draw.waves((p.x, p.y, p.z), 14)) / u(0.4, 1))
    scar = scar + bump((shape.height - u(16, 30) + c.draw.waves((p.x, p.y, p.z), 14)) / u(0.4, 1))
    marrow = s["marrow"] * c.grain(2.2, u(0, 0.12)) * c.grain(14, u(0, 0.12))
    marrow = (
        marrow * (1 - oedema * u(0.2, 1)) * (1 - scar.clamp(max=1) * u(0, 0.4) * c.draw.chance(0.6))
    )
    corner = bump(shape.depth / u(2, 8)) * bump((shape.rim - p.outward) / u(2, 8))
    marrow = marrow * (1 - corner * p.pick((u(0, 0.6), u(0, 0.6))) * c.draw.chance(0.3))
    water = oedema * u(0, 0.8) * s["fluid"] * s["wet"]
    for bone in (shape.femur, shape.tibia):
        c.over(cover(bone, c.edge), s["cortex"])
        c.over(cover(bone + cortex, c.edge * 1.2), water, marrow)


def _skin(c: Canvas) -> None:
    """Lay the skin, and the air beyond it."""
    line = cover(c.skin.abs() - c.draw.uniform(0.4, 1.2), 0.3) * c.draw.chance(0.8)
    c.over(line, c.signal["skin"])
    air = torch.sigmoid(c.skin / 0.3)
    c.over(air, None)


LAYERS: tuple[Callable[[Canvas], None], ...] = (
    _surroundings,
    _joint_contents,
    _fibula,
    _bands,
    _margin,
    _film,
    _menisci,
    _bones,
    _skin,
)
"""Painted in this order, each over those before it."""


def paint(draw: Draw, shape: Shape, signal: Signal) -> tuple[Tensor, Tensor]:
    """Water and fat signal of the knee, each (batch, slice, row, column)."""
    canvas = Canvas(draw, shape, signal)
    for layer in LAYERS:
        layer(canvas)
    return canvas.water, canvas.fat

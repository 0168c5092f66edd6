"""Signal of bone and cartilage."""

from __future__ import annotations

import torch

from meniscal_measure.workshop.training.canvas import Canvas, Place
from meniscal_measure.workshop.training.fields import bump, cover

TUNNEL_SHARE = 0.06
"""Share of knees with tunnels of a ligament reconstruction."""


def bones(c: Canvas) -> None:
    """Cartilage, cortex and marrow with oedema and growth-plate scars."""
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    layered = 1 + u(-0.3, 0.3) * ((shape.femur / 2).clamp(0, 1) - 0.5)
    grain = c.grain(5, u(0, 0.12))
    c.over(cover(shape.femoral_cartilage, c.edge), s["cartilage"] * grain * layered)
    c.over(cover(shape.tibial_cartilage, c.edge), s["cartilage"] * grain * u(0.8, 1.2))
    cortex = u(0.25, 1.2) * torch.exp(u(0, 0.6) * c.waves(8))
    rim_side = bump((shape.rim - p.outward) / u(2, 9)) * bump(shape.depth / u(3, 10))
    thinned = p.pick((u(0, 1), u(0, 1))) * c.draw.chance(0.7) * rim_side
    cortex = (cortex * (1 - thinned)).clamp(0.03, 2)
    patch = c.waves(11) + 0.3 * c.waves(4)
    oedema = torch.sigmoid((patch - u(0.6, 2.4)) / u(0.05, 0.6)) * c.draw.chance(0.5)
    scar = bump((p.z + u(10, 26) + c.waves(14)) / u(0.4, 1))
    scar = scar + bump((shape.height - u(16, 30) + c.waves(14)) / u(0.4, 1))
    marrow = s["marrow"] * c.grain(2.2, u(0, 0.12)) * c.grain(14, u(0, 0.12))
    marrow = marrow * (1 - oedema * u(0.2, 1)) * (1 - scar.clamp(max=1) * u(-0.3, 0.6))
    plates = c.draw.waves((p.x, p.y, 0.3 * p.z), 1.2) * c.draw.chance(0.5) * u(0, 0.12)
    marrow = (marrow * (1 + plates)).clamp(min=0)
    corner = bump(shape.depth / u(2, 8)) * bump((shape.rim - p.outward) / u(2, 8))
    marrow = marrow * (1 - corner * p.pick((u(0, 0.6), u(0, 0.6))) * c.draw.chance(0.45))
    water = oedema * u(0, 0.8) * s["fluid"] * s["wet"]
    for bone in (shape.femur, shape.tibia):
        c.over(cover(bone, c.edge), s["cortex"])
        c.over(cover(bone + cortex, c.edge * 1.2), water, marrow)


def tunnels(c: Canvas) -> None:
    """Drilled tunnels of a ligament reconstruction, some with metal that voids the signal."""
    u, s = c.draw.uniform, c.signal
    present = c.draw.chance(TUNNEL_SHARE)
    tunnels: tuple[tuple[Place, Place], ...] = (
        ((u(-2, 5), u(-10, 0), u(0, 4)), (u(8, 22), u(-24, -12), u(-48, -28))),
        ((u(-10, -5), u(0, 8), u(14, 24)), (u(-36, -22), u(-8, 4), u(36, 60))),
    )
    for start, end in tunnels:
        tube = c.cord(start, end, u(3, 6))
        c.over(cover(tube - u(0, 1.2), c.edge) * present, s["cortex"])
        c.over(cover(tube, c.edge) * present, u(0, 1) * s["synovium"] + u(0, 0.2))
        share = u(0.25, 1)
        centre = tuple(a + share * (b - a) for a, b in zip(start, end, strict=True))
        metal = c.cord(centre, tuple(a + 0.1 for a in centre), u(2, 11)) + 1.5 * c.waves(9)
        present_metal = present * c.draw.chance(0.6)
        c.over(bump((metal - 1) / 1.2) * present_metal, u(0.5, 2.0))
        c.over(cover(metal, 0.6) * present_metal, u(0, 0.05))

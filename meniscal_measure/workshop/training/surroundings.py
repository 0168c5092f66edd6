"""What lies around the joint and between the bones, away from the menisci."""

from __future__ import annotations

import torch
from torch import Tensor

from meniscal_measure.workshop.training.canvas import Canvas, Place
from meniscal_measure.workshop.training.fields import bump, cover, smooth_max, smooth_step


def outer_layers(c: Canvas) -> None:
    """Subcutaneous fat with septa, muscle, recess tissue."""
    u, p, s = c.draw.uniform, c.points, c.signal
    depth = (torch.exp(c.draw.normal(2.3, 0.6)).clamp(2, 45),) * 2
    skin = c.shape.rim.clamp(min=24) + p.pick(depth) + 2.5 * c.waves(30)
    skin = p.outward - smooth_max(skin, p.outward - c.shape.envelope + u(2, 4), 6.0)
    fat = s["fat"] * c.grain(10, u(0, 0.12)) * c.grain(3, u(0, 0.08))
    septa = bump(c.waves(6) / 0.06) * c.draw.chance(0.6) * u(0.1, 0.5)
    c.fat = fat * (1 - septa)
    outside = c.shape.envelope
    far = smooth_step((p.z.abs() - u(8, 26)) / 12)
    patch = c.waves(30) + u(-1.6, 1.6) - 3 * (1 - far)
    muscle = torch.sigmoid(patch / 0.06) * cover(u(0, 4) - outside, 0.4)
    muscle = muscle * cover(skin + u(2, 12), 0.4)
    c.over(muscle, s["muscle"] * c.grain(6, u(0, 0.15)))
    recess = cover(outside - u(-0.5, 1.5), 0.4) * smooth_step((45 - p.z.abs()) / 10)
    c.over(
        recess * c.draw.chance(0.8), s["synovium"] * c.grain(4, 0.2) * u(0, 1), s["fat"] * u(0, 1)
    )
    c.skin = skin


def popliteal_space(c: Canvas) -> None:
    """Fat with vessels behind the femur, between the muscles of thigh and calf."""
    u, p, s = c.draw.uniform, c.points, c.signal
    behind = torch.sigmoid((p.y - u(2, 9) - u(0, 0.25) * (p.z - 25).abs()) / 1.2)
    muscle = behind * cover(c.skin + u(3, 14), 0.5) * c.draw.chance(0.85)
    c.over(muscle, s["muscle"] * c.grain(6, u(0, 0.15)))
    width = u(12, 30) - u(0.1, 0.4) * (p.z - u(15, 50)).abs() + 3 * c.waves(14)
    strands = 1 - bump(c.waves(4) / 0.15) * u(0, 0.6)
    c.over(behind * cover(p.x.abs() - width.clamp(min=3), 0.8), None, s["fat"] * strands)
    for _ in range(2):
        start: Place = (u(-9, 9), u(12, 30), 0 * p.z - 60)
        end: Place = (u(-9, 9), u(8, 26), 0 * p.z + 80)
        vessel = c.cord(start, end, u(2, 4.5))
        blood = torch.where(c.draw.chance(0.6) > 0, u(0, 0.12), u(0.3, 1.2))
        c.over(cover(vessel - u(0.3, 0.8), 0.3) * behind, s["ligament"])
        c.over(cover(vessel, 0.3) * behind, blood)


def joint_contents(c: Canvas) -> None:
    """Fat pad and synovium between the bones, effusion, joint space."""
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    inner = cover(p.outward - shape.rim * u(0.7, 0.95), 1.0) * cover((p.y + 2).abs() - 26, 2.0)
    inner = inner * smooth_step((u(28, 40) - p.z.abs()) / 15)
    mix = torch.sigmoid((c.waves(5) + u(-1, 1)) / 0.15)
    c.over(inner, s["synovium"] * mix * c.grain(4, 0.25), s["fat"] * (1 - mix) * c.grain(4, 0.15))
    pad = torch.sigmoid((-p.y - u(12, 24)) / 1.5) * cover((p.z - u(-6, 8)).abs() - u(12, 26), 2.0)
    pad = pad * cover(p.outward - shape.rim.clamp(min=20), 1.5) * c.draw.chance(0.8)
    c.over(pad, None, s["fat"] * c.grain(4, 0.15) * (1 - bump(c.waves(5) / 0.15) * u(0, 0.5)))
    pool = torch.sigmoid((c.waves(9) + u(-0.8, 0.8)) / 0.08)
    pool = pool * cover((shape.height - u(4, 25)).abs() - u(4, 18), 1.0)
    c.over(pool * cover(shape.envelope - u(0, 3.5), 0.5) * c.draw.chance(0.4), s["fluid"])
    space = torch.sigmoid((2 - shape.depth.abs()) / 1.0) * cover(
        p.outward - shape.rim + u(-2, 3), 0.7
    )
    filling = torch.where(
        c.draw.chance(0.6) > 0, s["fluid"], 0.5 * s["synovium"] + 0.5 * s["cartilage"]
    )
    c.over(space * smooth_step((p.outward - 3) / 6), filling)


def cruciates(c: Canvas) -> None:
    """Anterior cruciate from the lateral wall of the notch, posterior from the medial one."""
    u, s = c.draw.uniform, c.signal
    fluid = c.draw.chance(0.25)
    cords = (
        ((u(-12, -7), u(2, 9), u(14, 24)), (u(-3, 4), u(-16, -7), u(1, 6)), u(2.5, 5), 0.85),
        ((u(5, 11), u(-6, 3), u(12, 24)), (u(-5, 3), u(15, 23), u(-8, 2)), u(3.5, 6), 0.95),
    )
    for start, end, radius, chance in cords:
        cord = c.cord(start, end, radius) + 0.6 * c.waves(5)
        present = c.draw.chance(chance)
        c.over(cover(cord - u(0.5, 2.5), 0.5) * present * fluid, s["fluid"])
        grey = s["ligament"] * c.grain(3, 0.4) + u(0, 0.2) * s["synovium"]
        c.over(cover(cord, 0.5) * present, grey)


def fibula(c: Canvas) -> None:
    """Fibular head behind and lateral, below the joint."""
    u, p = c.draw.uniform, c.points
    x, y, z = (
        p.x + c.shape.rim.amax((2, 3), keepdim=True).clamp(28, 46) * u(0.82, 0.98),
        p.y - u(12, 22),
        p.z + u(19, 32),
    )
    below = (-z).clamp(min=0) / u(2.5, 6)
    head = torch.sqrt(
        ((x - 0.2 * below) / u(7, 11)) ** 2
        + (y / u(8, 12)) ** 2
        + ((z + below) / u(8, 13)) ** 2
        + 1e-6
    )
    bone(c, (head - 1) * 8, u(0.4, 1.2))


def patella(c: Canvas) -> None:
    """Patella in front of the femur, with its tendon below and the quadriceps above."""
    u, p, s = c.draw.uniform, c.points, c.signal
    x, y, z = p.x - u(-7, 3), p.y + u(41, 52), p.z - u(14, 36)
    tendon = torch.maximum(x.abs() - u(10, 16), (y - 2).abs() - u(2, 4))
    c.over(cover(tendon, 0.5), s["ligament"] * c.grain(3, 0.3))
    size = (u(18, 25), u(7, 11), u(17, 24))
    round_ = torch.sqrt(sum((a / b) ** 2 for a, b in zip((x, y, z), size, strict=True)) + 1e-6)
    bone(c, (round_ - 1) * 10, u(0.5, 1.5))


def bone(c: Canvas, distance: Tensor, cortex: Tensor) -> None:
    """Lay a bone other than femur and tibia."""
    c.over(cover(distance - cortex, c.edge), c.signal["cortex"])
    c.over(cover(distance, c.edge), None, c.signal["marrow"] * c.grain(5, 0.08))


def skin(c: Canvas) -> None:
    """Lay the skin, and the air beyond it."""
    line = cover(c.skin.abs() - c.draw.uniform(0.4, 1.2), 0.3) * c.draw.chance(0.8)
    c.over(line, c.signal["skin"])
    c.over(torch.sigmoid(c.skin / 0.3), None)

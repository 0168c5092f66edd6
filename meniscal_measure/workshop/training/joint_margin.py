"""What lies against the menisci, and the menisci themselves.

This is where a locator goes wrong: capsule, ligaments, tendons, fluid, fat and synovium of every
contrast lie between the outer meniscal edge and the capsule, and menisci are torn or worn grey.
"""

from __future__ import annotations

import torch

from meniscal_measure.workshop.training.canvas import Canvas, Place
from meniscal_measure.workshop.training.fields import bump, cover, smooth_step

GREY_SHARE = 0.16
"""Share of menisci that are degenerate throughout, grey up to the level of what is beside them."""


def recess(c: Canvas) -> None:
    """Fill the space between meniscus and capsule: fat, synovium, fluid, or grey of any level.

    Where a meniscus ends well inside the rim, or the recess is swollen, this is a wide space.
    """
    u, p, s, shape = c.draw.uniform, c.points, c.signal, c.shape
    for medial in (0.0, 1.0):
        here = torch.sigmoid((p.x if medial else -p.x) / 1.0) * c.draw.chance(0.65)
        here = here * cover(shape.envelope - u(-0.6, 0.6), c.edge)
        here = here * cover(-shape.section.border - u(-0.5, 0.5), c.edge)
        here = here * cover(shape.above_meniscus.abs() - u(5, 24), 1.0)
        kind = u(0, 1)
        water = torch.where(kind < 0.55, s["synovium"], u(0.02, 1.0))
        water = torch.where(kind < 0.28, s["fluid"], water)
        strands = 1 - bump(c.waves(3.5) / u(0.08, 0.3)) * u(0, 0.8) * c.draw.chance(0.6)
        grain = c.grain(3, u(0, 0.4)) * strands
        fatty = (kind > 0.72).float()
        c.over(here, water * (1 - fatty) * grain, s["fat"] * fatty * grain)


def popliteus(c: Canvas) -> None:
    """Tendon from the lateral condyle, down and back between lateral meniscus and capsule."""
    u, s, shape = c.draw.uniform, c.signal, c.shape
    side = shape.rim.amax((2, 3), keepdim=True).clamp(30, 46)
    start: Place = (-side + u(1, 6), u(-6, 4), u(9, 16))
    end: Place = (-side + u(5, 12), u(14, 22), u(-8, 1))
    tendon, present = c.cord(start, end, u(1.6, 3.2)), c.draw.chance(0.85)
    c.over(cover(tendon - u(0.4, 2.0), c.edge) * present * c.draw.chance(0.5), s["fluid"])
    c.over(cover(tendon, c.edge) * present, s["ligament"] * c.grain(3, 0.25))


def bands(c: Canvas) -> None:
    """Capsule, collateral ligaments and retinacula: dark bands along the envelope."""
    u, p, s = c.draw.uniform, c.points, c.signal
    near, thick, some = c.sided(-0.3, 1.0), c.sided(0.3, 1.4), c.sided_chance(0.8)
    reach = smooth_step((c.sided(8, 30) - c.shape.above_meniscus.abs()) / 4)
    c.over(cover((c.shape.envelope - near).abs() - thick / 2, c.edge) * reach * some, s["ligament"])
    for chance in (0.8, 0.6):
        gap, thick = c.sided(-0.2, 6), c.sided(1.0, 4.5)
        wander = c.sided(-1, 1) * c.waves(22)
        band = (c.shape.envelope - gap - thick / 2 + wander).abs() - thick / 2
        up = smooth_step((c.sided(5, 38) - c.shape.above_meniscus) / 4)
        down = smooth_step((c.sided(5, 45) + c.shape.above_meniscus) / 4)
        breadth = cover((p.y - c.sided(-8, 8)).abs() - c.sided(4, 30), 1.0)
        grey = torch.where(c.draw.chance(0.25) > 0, u(0.1, 0.45), s["ligament"])
        some = c.sided_chance(chance)
        c.over(cover(band, c.edge) * up * down * breadth * some, grey * c.grain(3, 0.25))


def pockets(c: Canvas) -> None:
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
            (0.10, (1.5, 6.0), (3.0, 12.0), "fluid"),
            (0.10, (1.5, 6.0), (3.0, 12.0), "synovium"),
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
            pocket = pocket + 0.5 * c.waves(3)
            present = here * c.draw.chance(chance) * cover((p.y - u(-12, 12)).abs() - u(3, 25), 1.0)
            if tissue == "ligament":
                c.over(
                    cover(pocket - u(0.5, 1.2), c.edge) * present * c.draw.chance(0.5), s["fluid"]
                )
            value = s[tissue] * c.grain(4, 0.15)
            c.over(
                cover(pocket, c.edge) * present, *((None, value) if tissue == "fat" else (value,))
            )


def film(c: Canvas) -> None:
    """Fluid or synovium between the meniscus and what it lies against, here and there."""
    u, p, shape = c.draw.uniform, c.points, c.shape
    film = cover(shape.meniscus - u(0.3, 2.5), c.edge) * cover(shape.rim - u(0, 9) - p.outward, 0.8)
    present = p.pick((c.draw.chance(0.4), c.draw.chance(0.4)))
    patchy = torch.sigmoid((c.waves(4) + u(-1, 2)) / 0.2)
    wet = torch.where(c.draw.chance(0.7) > 0, c.signal["fluid"], c.signal["synovium"])
    c.over(film * patchy * present, wet)


def menisci(c: Canvas) -> None:
    """Lay the menisci with degeneration and tears."""
    u, s, p, section = c.draw.uniform, c.signal, c.points, c.shape.section
    pair, rare = c.sided, c.sided_chance
    grey = rare(GREY_SHARE) * pair(0.2, 0.9) * torch.minimum(s["cartilage"], s["fluid"])
    body = torch.maximum(s["meniscus"], grey) * c.grain(4, u(0, 0.35))
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

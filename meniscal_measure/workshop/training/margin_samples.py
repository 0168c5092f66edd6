"""Training examples of the margin network: both margins of the joint on slices of random knees."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.locate.frames import MARGIN_INWARD_MM, MARGIN_PIXEL_MM, MARGIN_SIZE
from meniscal_measure.workshop.training.acquisition import acquire
from meniscal_measure.workshop.training.fields import Draw
from meniscal_measure.workshop.training.knee_batch import Knee, Shape
from meniscal_measure.workshop.training.pose import Pose
from meniscal_measure.workshop.training.render import render, rim_axis, tissue_labels
from meniscal_measure.workshop.training.targets import Extreme, outermost, rims

PLANES = 5
"""Both neighbours and three planes averaged over the thickness of the slice between them."""
MARGIN_STORED = MARGIN_SIZE + 16
"""Rows and columns of a margin as it is made, larger than it is shown so that it can be moved."""
SLIVER_MM = 0.15
"""Where the meniscus is thinner than twice this it is no longer seen, and not its tip."""
THICK_MM, FADING_MM = 0.5, 2.0
"""A meniscus less than twice the first thick over its outermost second is no edge to be taught."""
WIDE_SHARE = 0.6
"""Share of the knees of joint margins that are drawn wider than real ones."""
JITTER_MM = 1.6
"""Spread of the first stage's landmarks around the truth, as the second stage meets it."""


@dataclass(frozen=True)
class MarginExample:
    """Joint margins, outward to the right, grey values not yet scaled: (n, 3, rows, columns)."""

    image: Tensor
    tissue: Tensor
    """0 background, 1 femur, 2 tibia, 3 meniscus, 4 cartilage."""
    points: Tensor
    """Column and row in pixels of rim, outer edge, free edge; (n, 3, 2)."""
    present: Tensor
    """Whether there is such a point; (n, 3)."""
    axis: Tensor
    """Unit vector outward along the line of the rims, in crop pixels; (n, 2)."""


def margin_batch(knees: int, device: torch.device) -> MarginExample:
    """Make joint margins of random knees on random slices of the meniscal bodies."""
    draw = Draw(knees, device)
    knee = Knee(draw, wide_share=WIDE_SHARE)
    shift = (draw.uniform(-3, 3), draw.uniform(-3, 3))
    pose = Pose(draw, draw.normal(0, 6.5).clamp(-15, 15), shift)
    rim_u, rim_v = rims(knee, pose, torch.zeros(knees, 1, 1, 1, device=device))
    out = pose.flip * torch.tensor([-1.0, 1.0], device=device)
    pushed = torch.cat(knee.menisci.extrusion, 3) * pose.scale
    centre_u = rim_u + out * (pushed.clamp(-2, 8) / 2 - MARGIN_INWARD_MM)
    centre_v = rim_v - 2 * pose.scale
    centre_u = centre_u + JITTER_MM * torch.randn_like(centre_u)
    centre_v = centre_v + JITTER_MM * torch.randn_like(centre_v)
    u, v, n = _margin_planes(draw, (centre_u, centre_v, out))
    shape, water, fat = render(draw, knee, pose.to_knee(u, v, n))
    image, grid = _margin_image(draw, water, fat), (u, v)
    axis = rim_axis(rim_u, rim_v)
    return _margin_example(shape, image, grid, (rim_u, rim_v, out, axis))


def _margin_planes(
    draw: Draw, centre: tuple[Tensor, Tensor, Tensor]
) -> tuple[Tensor, Tensor, Tensor]:
    """Image coordinates of every pixel, both sides and all planes in the slice axis."""
    cells = torch.arange(MARGIN_STORED, device=draw.device) - (MARGIN_STORED - 1) / 2
    cells = cells * MARGIN_PIXEL_MM
    centre_u, centre_v, out = (c[:, 0, 0, :, None, None, None] for c in centre)
    spacing, fill = draw.uniform(1, 5), draw.uniform(0.7, 1.0)
    third = fill / 3
    planes = torch.cat([-torch.ones_like(fill), -third, 0 * fill, third, torch.ones_like(fill)], 1)
    n = (spacing * planes)[:, None]
    full = (draw.batch, 2, PLANES, MARGIN_STORED, MARGIN_STORED)
    u, v, n = (
        a.expand(full).reshape(draw.batch, -1, *full[3:])
        for a in (centre_u + out * cells, centre_v + cells[:, None], n)
    )
    return u, v, n


def _margin_image(draw: Draw, water: Tensor, fat: Tensor) -> Tensor:
    shape = (draw.batch, 2, PLANES, MARGIN_STORED, MARGIN_STORED)

    def slices(planes: Tensor) -> Tensor:
        """Three slices from five planes, sides and slices in one axis."""
        middle = planes[:, :, 1:4].mean(2, keepdim=True)
        return torch.cat([planes[:, :, :1], middle, planes[:, :, 4:]], 2).flatten(1, 2)

    water, fat = (slices(signal.view(shape)) for signal in (water, fat))
    return acquire(draw, water, fat, MARGIN_PIXEL_MM).reshape(-1, 3, *shape[3:])


def _margin_example(
    shape: Shape,
    image: Tensor,
    grid: tuple[Tensor, Tensor],
    place: tuple[Tensor, Tensor, Tensor, tuple[Tensor, Tensor]],
) -> MarginExample:
    rim_u, rim_v, out, axis = place
    planes = shape.meniscus.shape[1] // 2
    middle = [planes // 2, planes + planes // 2]
    u, v = grid[0][:, middle], grid[1][:, middle]
    distance = shape.meniscus[:, middle]
    side = torch.tensor([-1.0, 1.0], device=u.device)[None, :, None, None]
    du, dv = axis[0] * side, axis[1] * side
    edge = outermost(distance, u, v, (du, dv))
    tip = outermost(distance + SLIVER_MM, u, v, (-du, -dv))
    us = torch.stack([rim_u[:, 0, 0], edge.u, tip.u], -1)
    vs = torch.stack([rim_v[:, 0, 0], edge.v, tip.v], -1)
    step = out[:, 0, 0, :, None] * MARGIN_PIXEL_MM
    columns = (us - u[:, :, 0, 0, None]) / step
    rows = (vs - v[:, :, 0, 0, None]) / MARGIN_PIXEL_MM
    points = torch.stack([columns, rows], -1).flatten(0, 1)
    seen = (edge.found & _is_thick(distance, edge, (u, v), (du, dv))).flatten()[:, None]
    found = seen | torch.tensor([True, False, False], device=u.device)
    outward = torch.stack([(du * out.view_as(du)), dv.expand_as(du)], -1)
    return MarginExample(image, tissue_labels(shape, middle), points, found, outward.view(-1, 2))


def _is_thick(
    distance: Tensor, edge: Extreme, grid: tuple[Tensor, Tensor], out: tuple[Tensor, Tensor]
) -> Tensor:
    """Whether the outer part of the meniscus is thick enough to be seen at its edge."""
    core = outermost(distance + THICK_MM, *grid, out)
    du, dv = (part[..., 0, 0] for part in out)
    away = (edge.u - core.u) * du + (edge.v - core.v) * dv
    return core.found & (away < FADING_MM)

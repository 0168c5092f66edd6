"""Training examples: whole slices for the survey network, joint margins for the margin network."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.locate.frames import (
    MARGIN_INWARD_MM,
    MARGIN_PIXEL_MM,
    MARGIN_SIZE,
    SURVEY_PIXEL_MM,
    SURVEY_SIZE,
)
from meniscal_measure.workshop.training.acquisition import acquire
from meniscal_measure.workshop.training.fields import Draw, Points
from meniscal_measure.workshop.training.knee_batch import Knee, Shape
from meniscal_measure.workshop.training.paint import paint
from meniscal_measure.workshop.training.pose import Pose
from meniscal_measure.workshop.training.targets import Extreme, outermost, rims, slice_targets
from meniscal_measure.workshop.training.tissue_signal import draw_contrast

PLANES = 5
"""Both neighbours and three planes averaged over the thickness of the slice between them."""
SURVEY_SLICES = 5
BODY_MM, BEYOND_MM = 14.0, 18.0
"""Slices nearer to the middle of the plateau are measurable, those beyond the second are not."""
MARGIN_STORED = MARGIN_SIZE + 16
"""Rows and columns of a margin as it is made, larger than it is shown so that it can be moved."""
SLIVER_MM = 0.15
"""Where the meniscus is thinner than twice this it is no longer seen, and not its tip."""
PLACED_MM = 18.0
"""Landmarks are taught on slices up to this far from the plateau's middle."""
THICK_MM, FADING_MM = 0.5, 2.0
"""A meniscus less than twice the first thick over its outermost second is no edge to be taught."""
EDGE_MM = 2.0
"""Points nearer to the border of the field of view are not shown."""
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


@dataclass(frozen=True)
class SurveyExample:
    """Whole slices with a neighbour on each side, not yet scaled: (windows, 3, rows, columns)."""

    image: Tensor
    tissue: Tensor
    points: Tensor
    """Column and row in pixels of left rim, right rim, left edge, right edge; (n, 4, 2)."""
    present: Tensor
    measurable: Tensor
    """1 measurable, 0 not, -1 in between; (n,)."""
    offsets_mm: Tensor
    """Way from the slice to the spine's apex and to the plateau's middle; (n, 2)."""
    coronal: Tensor
    """1 for a coronal knee, 0 for a stack turned into another plane; (n,)."""


def render(draw: Draw, knee: Knee, points: Points) -> tuple[Shape, Tensor, Tensor]:
    """Evaluate knees at points: their shape, and their water and fat signal."""
    shape = knee.shape(points)
    return shape, *paint(draw, shape, draw_contrast(draw))


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
    axis = _axis(rim_u, rim_v)
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
    water, fat = (_slices(a.view(shape)) for a in (water, fat))
    return acquire(draw, water, fat, MARGIN_PIXEL_MM).reshape(-1, 3, *shape[3:])


def _slices(planes: Tensor) -> Tensor:
    """Three slices from five planes, sides and slices in one axis."""
    middle = planes[:, :, 1:4].mean(2, keepdim=True)
    return torch.cat([planes[:, :, :1], middle, planes[:, :, 4:]], 2).flatten(1, 2)


def _axis(rim_u: Tensor, rim_v: Tensor) -> tuple[Tensor, Tensor]:
    """Give the unit vector from the lateral to the medial rim, (batch, slices, 1, 1) each."""
    du, dv = rim_u[..., 1:] - rim_u[..., :1], rim_v[..., 1:] - rim_v[..., :1]
    length = torch.sqrt(du**2 + dv**2).clamp(min=1)
    return du / length, dv / length


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


def tissue_labels(shape: Shape, planes: list[int]) -> Tensor:
    """Tissue of every pixel on the given planes, planes folded into the batch."""
    label = torch.zeros_like(shape.tibia[:, planes], dtype=torch.long)
    cartilage = torch.minimum(shape.tibial_cartilage, shape.femoral_cartilage)[:, planes]
    for value, distance in (
        (4, cartilage),
        (3, shape.meniscus[:, planes]),
        (1, shape.femur[:, planes]),
        (2, shape.tibia[:, planes]),
    ):
        label[distance < 0] = value
    return label.flatten(0, 1)


def survey_batch(knees: int, device: torch.device) -> SurveyExample:
    """Make short runs of whole slices anywhere in random knees, some turned out of plane."""
    draw = Draw(knees, device)
    knee = Knee(draw)
    shift = (draw.uniform(-18, 18), draw.uniform(-24, 24))
    depth = torch.where(draw.chance(0.6) > 0, draw.uniform(-18, 18), draw.uniform(-48, 46))
    pose = Pose(draw, depth, shift)
    turned = draw.chance(0.10)
    axis = 2 if torch.rand(()) < 0.5 else 0
    pose.turn(axis, turned * draw.sign() * draw.uniform(55, 110))
    cells = (torch.arange(SURVEY_SIZE, device=device) - (SURVEY_SIZE - 1) / 2) * SURVEY_PIXEL_MM
    spacing = draw.uniform(1, 5)
    n = spacing * torch.arange(-2, 3, device=device)[None, :, None, None]
    shape3 = (knees, SURVEY_SLICES, SURVEY_SIZE, SURVEY_SIZE)
    u, v = cells[None, None, None, :].expand(shape3), cells[None, None, :, None].expand(shape3)
    shape, water, fat = render(draw, knee, pose.to_knee(u, v, n.expand(shape3)))
    image, field = _field_of_view(draw, acquire(draw, water, fat, SURVEY_PIXEL_MM), u, v)
    windows = image.unfold(1, 3, 1).permute(0, 1, 4, 2, 3).flatten(0, 1)
    middle = [1, 2, 3]
    points, present = _survey_points(knee, pose, shape, (u, v, n))
    spine, centre = slice_targets(knee, pose)
    offsets = torch.stack([(spine - n)[..., 0, 0], (centre - n)[..., 0, 0]], -1)[:, middle]
    far = offsets[..., 1].abs() / pose.scale[:, :, 0, 0]
    measurable = torch.where(far < BODY_MM, 1.0, torch.where(far > BEYOND_MM, 0.0, -1.0))
    coronal = (1 - turned).view(knees, 1).expand(knees, 3)
    shown = _inside(points, field)
    cropped = ~shown[..., :2].all(-1)
    measurable = torch.where(cropped, torch.zeros_like(measurable), measurable)
    present = present & (far < PLACED_MM)[..., None] & (coronal > 0)[..., None] & shown
    return SurveyExample(
        windows,
        tissue_labels(shape, middle),
        points.flatten(0, 1),
        present.flatten(0, 1),
        torch.where(coronal > 0, measurable, torch.zeros_like(measurable)).flatten(),
        offsets.flatten(0, 1),
        coronal.flatten(),
    )


def _survey_points(
    knee: Knee, pose: Pose, shape: Shape, grid: tuple[Tensor, Tensor, Tensor]
) -> tuple[Tensor, Tensor]:
    u, v, n = (g[:, 1:4] for g in grid)
    rim_u, rim_v = rims(knee, pose, n)
    du, dv = _axis(rim_u, rim_v)
    us, vs, found = [rim_u[:, :, 0]], [rim_v[:, :, 0]], []
    for sign in (-1.0, 1.0):
        here = torch.where(sign * shape.points.x > 0, shape.meniscus, 1e3)[:, 1:4]
        edge = outermost(here, u, v, (sign * du, sign * dv))
        us.append(edge.u[..., None])
        vs.append(edge.v[..., None])
        found.append(edge.found)
    columns, rows = (torch.cat(a, -1) / SURVEY_PIXEL_MM + (SURVEY_SIZE - 1) / 2 for a in (us, vs))
    points = torch.stack([columns, rows], -1)
    mirrored = points[:, :, [1, 0, 3, 2]]
    points = torch.where(pose.flip[..., 0, :, None, None][:, 0] < 0, mirrored, points)
    both = (found[0] & found[1])[..., None]
    return points, both.expand(points.shape[:-1])


def _field_of_view(
    draw: Draw, image: Tensor, u: Tensor, v: Tensor
) -> tuple[Tensor, tuple[Tensor, Tensor]]:
    """Black out what lies beyond a smaller field of view in most knees; gives its half sizes."""
    small, whole = draw.chance(0.6) > 0, torch.full_like(draw.uniform(0, 1), SURVEY_SIZE)
    across = torch.where(small, draw.uniform(50, 90), whole)
    down = torch.where(small, draw.uniform(50, 90), whole)
    seen = (u.abs() < across) & (v.abs() < down)
    return torch.where(seen, image, 0.0), (across, down)


def _inside(points: Tensor, field: tuple[Tensor, Tensor]) -> Tensor:
    """Whether points, in pixels of the survey frame, lie in the field of view."""
    away = (points - (SURVEY_SIZE - 1) / 2).abs() * SURVEY_PIXEL_MM
    across, down = (half.view(-1, 1, 1) for half in field)
    return (away[..., 0] < across - EDGE_MM) & (away[..., 1] < down - EDGE_MM)

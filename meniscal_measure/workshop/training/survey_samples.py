"""Training examples of the survey network: whole slices of random knees with their neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.locate.frames import SURVEY_PIXEL_MM, SURVEY_SIZE
from meniscal_measure.workshop.training.acquisition import acquire
from meniscal_measure.workshop.training.fields import Draw
from meniscal_measure.workshop.training.knee_batch import Knee, Shape
from meniscal_measure.workshop.training.pose import Pose
from meniscal_measure.workshop.training.render import render, rim_axis, tissue_labels
from meniscal_measure.workshop.training.targets import outermost, rims, slice_targets

SURVEY_SLICES = 5
BODY_MM, BEYOND_MM = 14.0, 18.0
"""Slices nearer to the middle of the plateau are measurable, those beyond the second are not."""
PLACED_MM = 18.0
"""Landmarks are taught on slices up to this far from the plateau's middle."""
EDGE_MM = 2.0
"""Points nearer to the border of the field of view are not shown."""


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
    du, dv = rim_axis(rim_u, rim_v)
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

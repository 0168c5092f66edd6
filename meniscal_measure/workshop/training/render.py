"""Rendering of batched knees, shared by the examples of both networks."""

from __future__ import annotations

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Draw, Points
from meniscal_measure.workshop.training.knee_batch import Knee, Shape
from meniscal_measure.workshop.training.paint import paint
from meniscal_measure.workshop.training.tissue_signal import draw_contrast


def render(draw: Draw, knee: Knee, points: Points) -> tuple[Shape, Tensor, Tensor]:
    """Evaluate knees at points: their shape, and their water and fat signal."""
    shape = knee.shape(points)
    return shape, *paint(draw, shape, draw_contrast(draw))


def rim_axis(rim_u: Tensor, rim_v: Tensor) -> tuple[Tensor, Tensor]:
    """Give the unit vector from the lateral to the medial rim, (batch, slices, 1, 1) each."""
    du, dv = rim_u[..., 1:] - rim_u[..., :1], rim_v[..., 1:] - rim_v[..., :1]
    length = torch.sqrt(du**2 + dv**2).clamp(min=1)
    return du / length, dv / length


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

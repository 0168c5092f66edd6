"""Where the landmarks of a synthetic knee truly lie on a slice."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Points
from meniscal_measure.workshop.training.knee_batch import Knee
from meniscal_measure.workshop.training.pose import Pose

SOLVER_STEPS = 4
EDGE_WEIGHT_MM = 0.12
"""Border points this close to the outermost one share in its height."""


def rims(knee: Knee, pose: Pose, n: Tensor) -> tuple[Tensor, Tensor]:
    """Rims where the plateau border crosses the slices.

    Parameters
    ----------
    n
        Slice coordinates, shape (batch, slices, 1, 1).

    Returns
    -------
    tuple of ndarray
        u and v of the lateral and medial rim, each (batch, slices, 1, 2).
    """
    sign = torch.tensor([-1.0, 1.0], device=n.device)[None, None, None, :]
    x = sign * 30 + 0 * n
    y, z = pose.depth + 0 * x, 0 * x
    for _ in range(SOLVER_STEPS):
        image_n = pose.to_image(Points(x, y, z))[2]
        y = (y + (n - image_n) / pose.along_slice_normal()).clamp(-60, 60)
        out, z = knee.tibia.rims(Points(x, y, z))
        x = sign * out.clamp(min=8)
    u, v, _ = pose.to_image(Points(x, y, z))
    return u, v


@dataclass(frozen=True)
class Extreme:
    """Outermost or innermost point of a region."""

    u: Tensor
    v: Tensor
    found: Tensor
    """Whether the region has any point."""


def outermost(distance: Tensor, u: Tensor, v: Tensor, direction: tuple[Tensor, Tensor]) -> Extreme:
    """Outermost point of the region of negative `distance` along a direction.

    A point inside may be carried along by its own distance to the border and still lies within,
    so the largest such reach is the border itself, to a fraction of a pixel.

    Parameters
    ----------
    distance, u, v
        Shape (..., rows, columns).
    direction
        Unit vector, each part broadcastable to `u`.
    """
    along = u * direction[0] + v * direction[1]
    across = v * direction[0] - u * direction[1]
    inside = distance < 0
    reach = torch.where(inside, along - distance, torch.full_like(along, -1e4)).flatten(-2)
    furthest = reach.amax(-1, keepdim=True)
    weight = torch.softmax((reach - furthest) / EDGE_WEIGHT_MM, -1)
    height = (weight * across.flatten(-2)).sum(-1, keepdim=True)
    furthest, height = furthest[..., None], height[..., None]
    du, dv = direction
    return Extreme(
        (furthest * du - height * dv)[..., 0, 0],
        (furthest * dv + height * du)[..., 0, 0],
        inside.flatten(-2).any(-1),
    )


def slice_targets(knee: Knee, pose: Pose) -> tuple[Tensor, Tensor]:
    """Slice coordinate of the medial spine's apex and of the middle of the plateau."""
    tibia = knee.tibia
    zero = torch.zeros_like(tibia.middle_y)
    flat = Points(tibia.spine_places(zero)[1], zero, zero)
    apex = Points(flat.x, flat.y, tibia.plateau(flat))
    centre = Points(zero, tibia.middle_y, zero)
    return pose.to_image(apex)[2], pose.to_image(centre)[2]

"""The two networks: a survey of whole slices and a close look at one margin of the joint."""

from __future__ import annotations

from typing import Any, NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional

WIDTHS = {"survey": (16, 32, 64, 96, 128), "margin": (16, 32, 64, 112, 160)}
"""Channels of each level, by task."""
POINTS = {"survey": 4, "margin": 3}
SCALARS = {"survey": 6, "margin": 3}
"""Survey: measurable, coronal knee, two offsets, log spread of the offsets. Margin: log standard
deviation of each point along the outward axis, in pixels."""
TISSUES = 5


class Output(NamedTuple):
    """What a network says of a batch."""

    points: Tensor
    """Column and row of each point, pixels; (n, points, 2)."""
    mass: Tensor
    """Share of each heat map within 1.5 pixels x 4 of its peak; (n, points)."""
    scalars: Tensor
    heat: Tensor
    """Logits of the point heat maps."""
    tissue: Tensor
    """Logits of the tissues, an auxiliary task that teaches the shapes."""


def _block(inputs: int, outputs: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, 1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
        nn.Conv2d(outputs, outputs, 3, 1, 1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class PointNetwork(nn.Module):
    """A small U-Net with heat maps for points, a tissue map, and a few numbers per image."""

    def __init__(self, widths: tuple[int, ...], points: int, scalars: int) -> None:
        super().__init__()
        self.points = points
        inputs = (3, *widths[:-1])
        self.down = nn.ModuleList(
            _block(i, o, 1 if level == 0 else 2)
            for level, (i, o) in enumerate(zip(inputs, widths, strict=True))
        )
        pairs = list(zip(widths[::-1], widths[-2::-1], strict=False))
        self.up = nn.ModuleList(_block(deep + shallow, shallow) for deep, shallow in pairs)
        self.head = nn.Conv2d(widths[0], points + TISSUES, 1)
        self.scalars = nn.Sequential(
            nn.Linear(2 * widths[-1], 96), nn.ReLU(inplace=True), nn.Linear(96, scalars)
        )

    def forward(self, image: Tensor) -> Output:
        """Look at images of shape (n, 3, rows, columns)."""
        skips, x = [], image
        for block in self.down:
            x = block(x)
            skips.append(x)
        deep = torch.cat([x.mean((2, 3)), x.amax((2, 3))], 1)
        for block, skip in zip(self.up, skips[-2::-1], strict=True):
            x = functional.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)
            x = block(torch.cat([x, skip], 1))
        maps = self.head(x).float()
        heat = maps[:, : self.points]
        points, mass = expectation(heat)
        return Output(points, mass, self.scalars(deep).float(), heat, maps[:, self.points :])


MASS_RADIUS_PX = 6.0


def expectation(heat: Tensor) -> tuple[Tensor, Tensor]:
    """Mean position under the soft-max of each heat map, and the share of it near that mean."""
    rows = torch.arange(heat.shape[2], device=heat.device, dtype=heat.dtype)
    columns = torch.arange(heat.shape[3], device=heat.device, dtype=heat.dtype)
    share = torch.softmax(heat.flatten(2), 2).view_as(heat)
    column = (share.sum(2) * columns).sum(-1)
    row = (share.sum(3) * rows).sum(-1)
    away = (columns - column[..., None, None]) ** 2 + (rows[:, None] - row[..., None, None]) ** 2
    mass = (share * (away < MASS_RADIUS_PX**2).to(share.dtype)).sum((2, 3))
    return torch.stack([column, row], -1), mass


def network_of(task: str) -> PointNetwork:
    """Make a network for a task."""
    return PointNetwork(WIDTHS[task], POINTS[task], SCALARS[task])


def averaged(task: str, state: dict[str, Any]) -> PointNetwork:
    """Give the network whose averaged weights a checkpoint holds."""
    network = network_of(task)
    network.load_state_dict(state["average"])
    return network

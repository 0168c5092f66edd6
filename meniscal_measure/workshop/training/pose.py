"""How the stack of slices lies in the knee: obliquity, mirroring, scale and shift."""

from __future__ import annotations

import math

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Draw, Points

TILT_SD_DEG, TILT_LIMIT_DEG = 5.0, 15.0
"""Spread and largest value of the three angles between the slices and the knee's own axes."""
RIM_TILT_DEG = (2.3, 1.9)
"""Mean and spread of the slope of the line of the rims, lateral side high, in real knees."""
BACKWARD_SLOPE = (0.11, 0.05)
"""Mean and spread of the fall of the plateau towards the back (common practice, no source)."""
SCALE_RANGE = (0.92, 1.09)
"""Pixel sizes that headers state wrongly; widths of knees are drawn with their shapes."""


class Pose:
    """Map between the image frame and the knee frame.

    Image frame, mm: u along a row to the right, v down a column, n from slice to slice
    towards the back; the origin is the middle of the field of view on the middle slice.
    """

    def __init__(self, draw: Draw, depth: Tensor, shift: tuple[Tensor, Tensor]) -> None:
        angles = [
            draw.normal(0, TILT_SD_DEG).clamp(-TILT_LIMIT_DEG, TILT_LIMIT_DEG) for _ in range(3)
        ]
        angles[1] = angles[1] - draw.normal(*RIM_TILT_DEG)
        self.slope = draw.normal(*BACKWARD_SLOPE)
        self.flip, self.scale = draw.sign(), draw.uniform(*SCALE_RANGE)
        self.depth, self.shift = depth, shift
        self.angles = angles
        self.rotation = rotation([angle * math.pi / 180 for angle in angles])

    def turn(self, axis: int, degrees: Tensor) -> None:
        """Turn the stack about one knee axis, for sagittal and axial stacks."""
        self.angles[axis] = self.angles[axis] + degrees
        self.rotation = rotation([angle * math.pi / 180 for angle in self.angles])

    def to_knee(self, u: Tensor, v: Tensor, n: Tensor) -> Points:
        """Knee frame coordinates of image points."""
        image = (self.flip * (u - self.shift[0]), n, -(v - self.shift[1]))
        x, y, z = (
            sum(self.rotation[i][j] * image[j] for j in range(3)) / self.scale for i in range(3)
        )
        y = y + self.depth
        return Points(torch.as_tensor(x), y, z + self.slope * y)

    def to_image(self, p: Points) -> tuple[Tensor, Tensor, Tensor]:
        """Image coordinates of knee points."""
        knee = (p.x, p.y - self.depth, p.z - self.slope * p.y)
        image = [
            sum(self.rotation[j][i] * knee[j] for j in range(3)) * self.scale for i in range(3)
        ]
        return (
            self.flip * image[0] + self.shift[0],
            self.shift[1] - image[2],
            torch.as_tensor(image[1]),
        )

    def along_slice_normal(self) -> Tensor:
        """How far the slice coordinate moves for one unit of the knee's y."""
        return self.rotation[1][1] * self.scale


def rotation(angles: list[Tensor]) -> list[list[Tensor]]:
    """Rotation matrix about x, then y, then z, with broadcasting entries."""
    (cx, cy, cz), (sx, sy, sz) = ([f(a) for a in angles] for f in (torch.cos, torch.sin))
    return [
        [cy * cz, sx * sy * cz - cx * sz, cx * sy * cz + sx * sz],
        [cy * sz, sx * sy * sz + cx * cz, cx * sy * sz - sx * cz],
        [-sy, sx * cy, cx * cy],
    ]

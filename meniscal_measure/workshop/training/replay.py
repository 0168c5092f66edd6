"""A store of examples on the graphics card, from which batches are drawn many times.

Making an example costs far more than learning from it; a random turn, scale, shift and grey scale
make it worth being seen again.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import torch
from torch import Tensor
from torch.nn import functional

from meniscal_measure.workshop.training.acquisition import normalised

GAMMA_SPREAD = 0.22
"""Standard deviation of the logarithm of the exponent that bends the grey scale."""
EDGE_PX = 3
"""A point nearer to the border of the image is not taught."""


@dataclass(frozen=True)
class Variation:
    """How far images are moved when they are drawn: degrees, share of the size, and pixels."""

    turn_deg: float
    scale: float
    shift_px: float


class Pool:
    """Examples of one kind; the oldest give way to new ones once it is full.

    Parameters
    ----------
    capacity
        Number of images it holds.
    device
        Where it holds them.
    """

    def __init__(self, capacity: int, device: torch.device) -> None:
        self.capacity, self.device = capacity, device
        self.count, self.next = 0, 0
        self.held: Any = None

    def put(self, example: Any) -> None:
        """Take in a batch of examples, images in half precision."""
        compact = replace(example, image=example.image.half(), tissue=example.tissue.byte())
        if self.held is None:
            self.held = _over(
                compact,
                lambda part: part.new_zeros((self.capacity, *part.shape[1:]), device=self.device),
            )
        places = (self.next + torch.arange(len(compact.image), device=self.device)) % self.capacity
        for item in fields(compact):
            part = getattr(compact, item.name).to(self.device)
            getattr(self.held, item.name)[places] = part
        self.next = (self.next + len(places)) % self.capacity
        self.count = min(self.count + len(places), self.capacity)

    def draw(self, number: int) -> Any:
        """Draw examples at random; something must have been put in before."""
        chosen = torch.randint(self.count, (number,), device=self.device)
        return _over(self.held, lambda part: part[chosen])


def _over(example: Any, change: Callable[[Tensor], Tensor]) -> Any:
    """Change every part of a batch of examples."""
    return replace(example, **{f.name: change(getattr(example, f.name)) for f in fields(example)})


def joined(examples: list[Any]) -> Any:
    """Join batches of examples."""
    parts = zip(*([getattr(e, f.name) for f in fields(e)] for e in examples), strict=True)
    return type(examples[0])(*(torch.cat(part) for part in parts))


def varied(example: Any, size: int, variation: Variation) -> Any:
    """Turn, scale and shift every image with its points, and bend its grey scale.

    Parameters
    ----------
    example
        Examples whose images may be larger than `size`.
    size
        Rows and columns of the images given back.
    variation
        How far they are moved.
    """
    image = example.image.float()
    count, device = len(image), image.device

    def even(limit: float, *shape: int) -> Tensor:
        return limit * (2 * torch.rand(count, *shape, device=device) - 1)

    angle, scale = even(math.radians(variation.turn_deg)), torch.exp(even(variation.scale))
    cosine, sine = scale * torch.cos(angle), scale * torch.sin(angle)
    matrix = torch.stack([cosine, -sine, sine, cosine], -1).view(-1, 2, 2)
    back = torch.linalg.inv(matrix)
    before, after = (image.shape[-1] - 1) / 2 + even(variation.shift_px, 1, 2), (size - 1) / 2
    grid = _grid(matrix, before, size, image.shape[-1])
    tissue = functional.grid_sample(
        example.tissue[:, None].float(), grid, mode="nearest", align_corners=True
    )
    points = (example.points - before) @ back.transpose(1, 2) + after
    inside = ((points > EDGE_PX) & (points < size - 1 - EDGE_PX)).all(-1)
    gamma = torch.exp(GAMMA_SPREAD * torch.randn(count, 1, 1, 1, device=device))
    image = functional.grid_sample(image, grid, align_corners=True).clamp(min=0)
    return replace(
        example,
        image=normalised(image, gamma),
        tissue=tissue[:, 0].long(),
        points=points,
        present=example.present & inside,
        **_turned_axis(example, back),
    )


def with_singles(example: Any, share: float) -> Any:
    """Repeat a share of slices as their own neighbours, as where a single slice was exported."""
    image = example.image
    single = torch.rand(len(image), 1, 1, 1, device=image.device) < share
    return replace(example, image=torch.where(single, image[:, 1:2], image))


def _turned_axis(example: Any, back: Tensor) -> dict[str, Tensor]:
    """Turn the outward direction with the image, where the examples have one."""
    if not hasattr(example, "axis"):
        return {}
    axis = (back @ example.axis[..., None])[..., 0]
    return {"axis": axis / axis.norm(dim=-1, keepdim=True)}


def _grid(matrix: Tensor, before: Tensor, size: int, size_before: int) -> Tensor:
    """Where each pixel of the new image is found in the old one, in units of its half width."""
    cells = torch.arange(size, device=matrix.device) - (size - 1) / 2
    rows, columns = torch.meshgrid(cells, cells, indexing="ij")
    places = torch.stack([columns, rows], -1).view(1, -1, 2) @ matrix.transpose(1, 2) + before
    return (2 * places / (size_before - 1) - 1).view(-1, size, size, 2)

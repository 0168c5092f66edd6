"""Images that are no measurable coronal knee, for teaching the survey network to say so."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from meniscal_measure.workshop.training.acquisition import normalised
from meniscal_measure.workshop.training.fields import Draw
from meniscal_measure.workshop.training.survey_samples import SurveyExample

STRANGE_SHARE = 0.14
"""Share of windows replaced by something strange."""


def with_strange(example: SurveyExample) -> SurveyExample:
    """Replace some windows by noise, phantoms, cropped, spoilt, shuffled or turned images."""
    image, draw = example.image, Draw(len(example.image), example.image.device)
    options = torch.stack(
        [
            _smooth_noise(draw, image),
            _phantom(draw, image),
            _other_part(draw, image),
            _shuffled(image),
            _turned(image),
            _spoilt(draw, example),
            _cropped(draw, example),
        ]
    )
    kind = torch.randint(len(options), (draw.batch,), device=image.device)
    chosen = options[kind, torch.arange(draw.batch, device=image.device)]
    strange = draw.chance(STRANGE_SHARE) > 0
    knee = (~strange).flatten().float()
    return replace(
        example,
        image=torch.where(strange, normalised(chosen), image),
        present=example.present & (knee > 0)[:, None],
        measurable=torch.where(knee > 0, example.measurable, torch.zeros_like(knee)),
        coronal=example.coronal * knee,
    )


def _grid(image: Tensor) -> tuple[Tensor, Tensor]:
    size = image.shape[-1]
    cells = torch.arange(size, device=image.device, dtype=image.dtype) - (size - 1) / 2
    return cells[None, None, None, :], cells[None, None, :, None]


def _smooth_noise(draw: Draw, image: Tensor) -> Tensor:
    mixed = draw.uniform(0, 1) * draw.texture(image, 20) + draw.uniform(0, 1) * draw.texture(
        image, 5
    )
    return (mixed + draw.uniform(0, 1) * torch.randn_like(image) + draw.uniform(-1, 2)).clamp(min=0)


def _phantom(draw: Draw, image: Tensor) -> Tensor:
    """Discs, rods and plates in a bottle."""
    u, v = _grid(image)
    picture = torch.zeros_like(image)
    for _ in range(8):
        x, y = u - draw.uniform(-50, 50), v - draw.uniform(-50, 50)
        round_ = torch.sqrt(x**2 + y**2) - draw.uniform(3, 35)
        plate = torch.maximum(x.abs() - draw.uniform(2, 50), y.abs() - draw.uniform(2, 30))
        shape = torch.where(draw.chance(0.5) > 0, round_, plate)
        picture = torch.where(shape < 0, draw.uniform(0, 1), picture)
    return (picture + draw.uniform(0, 0.1) * torch.randn_like(image)).clamp(min=0)


def _other_part(draw: Draw, image: Tensor) -> Tensor:
    """Limbs, trunks and heads: nested ellipses of soft tissue with bones and air."""
    u, v = _grid(image)
    x, y = u - draw.uniform(-20, 20), v - draw.uniform(-20, 20)
    wave = 0.12 * draw.texture(image, 30)
    radius = torch.sqrt((x / draw.uniform(30, 75)) ** 2 + (y / draw.uniform(35, 120)) ** 2) + wave
    picture = torch.where(radius < 1, draw.uniform(0.2, 1), 0.02)
    picture = torch.where(radius < draw.uniform(0.6, 0.95), draw.uniform(0.1, 1), picture)
    picture = picture * (1 + draw.uniform(0, 0.4) * draw.texture(image, 8))
    for _ in range(5):
        px, py = u - draw.uniform(-40, 40), v - draw.uniform(-60, 60)
        part = torch.sqrt((px / draw.uniform(4, 22)) ** 2 + (py / draw.uniform(4, 50)) ** 2) + wave
        picture = torch.where((part < 1) & (radius < 1), draw.uniform(0, 1), picture)
    return (picture + draw.uniform(0, 0.08) * torch.randn_like(image)).clamp(min=0)


def _shuffled(image: Tensor) -> Tensor:
    """Cut the image into blocks that change places."""
    blocks = image.unfold(2, 40, 40).unfold(3, 40, 40)
    order = torch.randperm(4, device=image.device)
    blocks = blocks[:, :, order][:, :, :, torch.randperm(4, device=image.device)]
    return blocks.permute(0, 1, 2, 4, 3, 5).reshape(image.shape)


def _turned(image: Tensor) -> Tensor:
    """Turn the image upside down or on its side."""
    turn = int(torch.randint(3, ()))
    return torch.rot90(image, 1 + turn, (2, 3))


def _spoilt(draw: Draw, example: SurveyExample) -> Tensor:
    """Signal voids with bright rims near the joint, as metal makes them."""
    u, v = _grid(example.image)
    size = example.image.shape[-1]
    centre = example.points.mean(1) - (size - 1) / 2
    picture = example.image
    for _ in range(2):
        x = u - centre[:, 0, None, None, None] - draw.uniform(-28, 28)
        y = v - centre[:, 1, None, None, None] - draw.uniform(-14, 14)
        wave = 0.15 * draw.texture(picture, 14)
        r = torch.sqrt((x / draw.uniform(14, 34)) ** 2 + (y / draw.uniform(12, 30)) ** 2) + wave
        rim = torch.exp(-(((r - 1.05) / 0.08) ** 2)) * draw.uniform(0, 2)
        picture = torch.where(r < 1, picture * draw.uniform(0, 0.1), picture + rim)
    return picture


def _cropped(draw: Draw, example: SurveyExample) -> Tensor:
    """Crop to a field of view that leaves out one margin of the joint, or all of it."""
    u, v = _grid(example.image)
    size = example.image.shape[-1]
    points = example.points - (size - 1) / 2
    left = points[:, 0, 0, None, None, None] + draw.uniform(6, 50)
    right = points[:, 1, 0, None, None, None] - draw.uniform(6, 50)
    level = points[:, :2, 1].mean(1)[:, None, None, None]
    hidden = torch.where(draw.chance(0.5) > 0, u - left, right - u)
    above, below = v - level - draw.uniform(-25, -3), level + draw.uniform(-3, 25) - v
    level_hidden = torch.where(draw.chance(0.5) > 0, above, below)
    hidden = torch.where(draw.chance(0.7) > 0, hidden, level_hidden)
    return torch.where(hidden < 0, torch.zeros_like(example.image), example.image)

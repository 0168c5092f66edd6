"""Joints shown among the surroundings of other knees, so that the joint itself tells where it is.

Muscle, fat, shafts, fibula and patella are where drawn knees are least like real ones. Networks
that had learned from whole images placed the apex 3 to 5 mm too far back on a real knee, and less
so where all but the joint was blurred.
"""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor
from torch.nn import functional

from meniscal_measure.workshop.training.fields import Draw
from meniscal_measure.workshop.training.survey_samples import SurveyExample

SHARE = 0.6
"""Share of coronal windows whose periphery is exchanged."""
OF_OTHERS, BLURRED = 0.45, 0.3
"""Shares of those that get the periphery of another window, or lose all detail there; the rest
gets an even grey with some texture."""
LEAST_WIDTH, MOST_WIDTH, USUAL_WIDTH = 45.0, 105.0, 75.0
"""Pixels, that is mm, between the rims: beyond the first two there are no rims on the slice, and
the joint is taken to be as wide as usual in the middle of the image."""
OFF_CENTRE = 50.0
"""Nor are there any where their middle lies farther than this from that of the image, in pixels."""
WAVY_PX = 3.0
"""How far the border of what is left wanders."""


def with_other_periphery(example: SurveyExample) -> SurveyExample:
    """Exchange what lies away from the joint in many windows; landmarks and distances stay.

    Parameters
    ----------
    example
        Windows as they are shown, scaled to their bright end.
    """
    image, draw = example.image, Draw(len(example.image), example.image.device)
    outside = _outside(draw, example)
    order = torch.randperm(len(image), device=image.device)
    mirrored = draw.chance(0.5) > 0
    others = torch.where(mirrored, image[order].flip(-1), image[order])
    pooled = functional.avg_pool2d(image, 16, 8, 4, count_include_pad=False)
    blurred = functional.interpolate(pooled, size=image.shape[-2:], mode="bilinear")
    grey = draw.uniform(0, 1.2) * (1 + draw.uniform(0, 0.5) * draw.texture(image, 8)).clamp(min=0)
    kind = draw.uniform(0, 1)
    even = kind >= OF_OTHERS + BLURRED
    fill = torch.where(kind < OF_OTHERS, others, torch.where(even, grey, blurred))
    exchanged = (draw.chance(SHARE) > 0) & (example.coronal.view(-1, 1, 1, 1) > 0)
    mixed = torch.where(exchanged, torch.lerp(image, fill, outside), image)
    there = example.tissue[order]
    there = torch.where(mirrored[:, 0], there.flip(-1), there)
    there = torch.where(even[:, 0], torch.zeros_like(there), there)
    replaced = ((outside > 0.5) & exchanged & ((kind < OF_OTHERS) | even))[:, 0]
    return replace(example, image=mixed, tissue=torch.where(replaced, there, example.tissue))


def _outside(draw: Draw, example: SurveyExample) -> Tensor:
    """How much each pixel lies outside the box that holds the joint, from 0 to 1."""
    size = example.image.shape[-1]
    rims = example.points[:, :2].float() - (size - 1) / 2
    apart, middle = (rims[:, 1] - rims[:, 0]).norm(dim=-1), rims.mean(1)
    has_rims = (apart > LEAST_WIDTH) & (apart < MOST_WIDTH)
    has_rims = (has_rims & (middle.abs().amax(-1) < OFF_CENTRE)).view(-1, 1, 1, 1)
    width = torch.where(has_rims, apart.view(-1, 1, 1, 1), USUAL_WIDTH)
    cells = torch.arange(size, device=rims.device) - (size - 1) / 2
    x, y = (
        axis - torch.where(has_rims, middle[:, i].view(-1, 1, 1, 1), 0.0)
        for i, axis in enumerate((cells[None, None, None, :], cells[None, None, :, None]))
    )
    u = draw.uniform
    beyond = torch.maximum(-y - u(0.42, 0.95) * width, y - u(0.15, 0.7) * width)
    beyond = torch.maximum(beyond, x.abs() - u(0.5, 0.8) * width)
    return torch.sigmoid((beyond + WAVY_PX * draw.texture(example.image[:, :1], 20)) / u(0.5, 3))

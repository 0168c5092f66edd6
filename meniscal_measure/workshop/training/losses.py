"""What the networks are taught to minimise."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from meniscal_measure.locate.survey import OFFSET_UNIT_MM
from meniscal_measure.workshop.training.architecture import Output
from meniscal_measure.workshop.training.margin_samples import MarginExample
from meniscal_measure.workshop.training.survey_samples import SurveyExample

HEAT_SIGMA_PX = {"survey": 1.3, "margin": 2.2}
"""Width of the target heat maps: about 1.3 mm and 0.7 mm."""
TISSUE_WEIGHTS = (1.0, 1.0, 1.0, 3.0, 2.0)
SLACK = 1e-6
LEAST_LOG_SD, MOST_SCALE_PX = -1.2, 8 * math.sqrt(2)
"""Where errors are weighed, the standard deviation that the network states is held within these."""


def margin_loss(
    output: Output, example: MarginExample, *, weighed: bool = False
) -> tuple[Tensor, dict[str, Tensor]]:
    """Loss of the margin network and its readable parts.

    Parameters
    ----------
    output, example
        What the network found, and the truth.
    weighed
        Whether an error counts the more, the surer the network says it is.
    """
    present = example.present.float()
    heat = _heat_loss(output.heat, example.points, present, HEAT_SIGMA_PX["margin"])
    error = output.points - example.points
    along = (error * example.axis[:, None]).sum(-1)
    distance = torch.sqrt((error**2).sum(-1) + SLACK)
    weights = torch.tensor([1.0, 1.0, 0.4], device=present.device) * present
    size = distance + 2 * along.abs()
    near = (weights * size).sum() / weights.sum().clamp(min=1)
    log_sd = output.scalars.clamp(-3, 4)
    spread = log_sd + 0.5 * (along.detach() / torch.exp(log_sd)) ** 2
    spread = (spread * present).sum() / present.sum().clamp(min=1)
    tissue = _tissue_loss(output.tissue, example.tissue)
    extrusion = (along[:, 1] - along[:, 0])[present[:, 1] > 0].abs()
    parts = {"heat": heat, "near": near, "spread": spread, "tissue": tissue}
    loss = heat + (0.1 if weighed else 0.3) * near + 0.1 * spread + 0.5 * tissue
    if weighed:
        scale = torch.exp(log_sd.clamp(min=LEAST_LOG_SD)).detach().clamp(max=MOST_SCALE_PX)
        laplace = (weights * size / scale).sum() / weights.sum().clamp(min=1)
        parts["laplace"] = math.sqrt(0.5) * laplace
        loss = loss + 0.4 * parts["laplace"]
    return loss, {**parts, "extrusion_px": extrusion.mean()}


def survey_loss(output: Output, example: SurveyExample) -> tuple[Tensor, dict[str, Tensor]]:
    """Loss of the survey network and its readable parts."""
    present = example.present.float()
    heat = _heat_loss(output.heat, example.points, present, HEAT_SIGMA_PX["survey"])
    distance = torch.sqrt(((output.points - example.points) ** 2).sum(-1) + SLACK)
    near = (present * distance).sum() / present.sum().clamp(min=1)
    judged = (example.measurable >= 0).float()
    target = example.measurable.clamp(min=0)
    measurable = functional.binary_cross_entropy_with_logits(
        output.scalars[:, 0], target, weight=judged
    )
    coronal = functional.binary_cross_entropy_with_logits(output.scalars[:, 1], example.coronal)
    error = output.scalars[:, 2:4] - example.offsets_mm / OFFSET_UNIT_MM
    log_spread = output.scalars[:, 4:6].clamp(-4, 3)
    seen = example.coronal * (example.offsets_mm[:, 1].abs() < 45).float()
    offset = ((error.abs() / torch.exp(log_spread) + log_spread).mean(1) * seen).sum()
    offset = offset / seen.sum().clamp(min=1)
    tissue = _tissue_loss(output.tissue, example.tissue)
    millimetres = (error[:, 0].abs() * seen * OFFSET_UNIT_MM).sum() / seen.sum().clamp(min=1)
    loss = heat + 0.2 * near + measurable + coronal + 0.5 * offset + 0.5 * tissue
    parts = {"heat": heat, "near": near, "measurable": measurable, "coronal": coronal}
    return loss, {**parts, "tissue": tissue, "offset_mm": millimetres}


def _heat_loss(heat: Tensor, points: Tensor, present: Tensor, sigma_px: float) -> Tensor:
    """Cross entropy between the soft-max of each heat map and a Gaussian around the truth."""
    rows = torch.arange(heat.shape[2], device=heat.device, dtype=heat.dtype)
    columns = torch.arange(heat.shape[3], device=heat.device, dtype=heat.dtype)
    across = torch.exp(-0.5 * ((columns - points[..., :1]) / sigma_px) ** 2)
    down = torch.exp(-0.5 * ((rows - points[..., 1:]) / sigma_px) ** 2)
    target = (down[..., :, None] * across[..., None, :]).flatten(2)
    target = target / target.sum(-1, keepdim=True).clamp(min=SLACK)
    entropy = -(target * torch.log_softmax(heat.flatten(2), -1)).sum(-1)
    return (entropy * present).sum() / present.sum().clamp(min=1)


def _tissue_loss(logits: Tensor, tissue: Tensor) -> Tensor:
    weights = torch.tensor(TISSUE_WEIGHTS, device=logits.device)
    return functional.cross_entropy(logits, tissue, weight=weights)

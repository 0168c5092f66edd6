"""From tissue signal to a picture: blur, chemical shift, coil shading, noise, cropping, scaling."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from meniscal_measure.workshop.training.fields import Draw

RESOLUTION_RANGE_MM = (0.25, 0.9)
NORM_QUANTILE = 0.985
CEILING = 1.6


def acquire(draw: Draw, water: Tensor, fat: Tensor, pixel_mm: float) -> Tensor:
    """Turn water and fat, shape (batch, slices, rows, columns), into a magnitude image."""
    u = draw.uniform
    shift = u(0, 1.4) * draw.chance(0.6) * draw.sign() / pixel_mm
    along_rows = draw.chance(0.5)
    image = (water + _shifted(fat, shift * along_rows, shift * (1 - along_rows))).clamp(min=0)
    resolution = u(*RESOLUTION_RANGE_MM)
    image = _blurred(
        image, resolution * u(0.36, 0.6) / pixel_mm, resolution * u(0.36, 0.6) / pixel_mm
    )
    image = image * _shading(draw, image)
    level = u(0, 0.09) * u(0.2, 1)
    cell = (resolution * u(0.7, 1.3) / pixel_mm).mean().item()
    real, imaginary = (level * _noise(draw, image, cell) for _ in range(2))
    return torch.sqrt((image + real) ** 2 + imaginary**2)


def normalised(image: Tensor, gamma: Tensor | None = None) -> Tensor:
    """Scale every window of slices to its bright end, as the run-time does."""
    sample = image.flatten(1)[:, :: max(1, image[0].numel() // 8192)]
    top = torch.quantile(sample, NORM_QUANTILE, dim=1).clamp(min=1e-4)[:, None, None, None]
    scaled = (image / top).clamp(0, CEILING)
    return scaled if gamma is None else scaled**gamma


def _shifted(image: Tensor, du: Tensor, dv: Tensor) -> Tensor:
    rows, columns = image.shape[-2:]
    ys = torch.linspace(-1, 1, rows, device=image.device)
    xs = torch.linspace(-1, 1, columns, device=image.device)
    grid_y, grid_x = torch.meshgrid(ys, xs, indexing="ij")
    x = grid_x + (2 * du / columns)[:, 0]
    y = grid_y + (2 * dv / rows)[:, 0]
    grid = torch.stack([x, y], -1)
    return functional.grid_sample(image, grid, align_corners=True, padding_mode="border")


def _blurred(image: Tensor, sigma_u: Tensor, sigma_v: Tensor) -> Tensor:
    batch = len(image)
    offsets = torch.arange(-5, 6, device=image.device, dtype=image.dtype)
    for axis, sigma in ((3, sigma_u), (2, sigma_v)):
        kernel = torch.exp(-0.5 * (offsets / sigma.view(batch, 1).clamp(min=0.2)) ** 2)
        kernel = kernel / kernel.sum(1, keepdim=True)
        shape = (batch, 1, 1, 11) if axis == 3 else (batch, 1, 11, 1)
        pad = (5, 5, 0, 0) if axis == 3 else (0, 0, 5, 5)
        stack = functional.pad(image, pad, mode="replicate").transpose(0, 1)
        image = functional.conv2d(stack, kernel.view(shape), groups=batch).transpose(0, 1)
    return image


def _shading(draw: Draw, image: Tensor) -> Tensor:
    rows, columns = image.shape[-2:]
    v = torch.linspace(-1, 1, rows, device=image.device)[None, None, :, None]
    h = torch.linspace(-1, 1, columns, device=image.device)[None, None, None, :]
    tilt = draw.uniform(-0.4, 0.4) * v + draw.uniform(-0.4, 0.4) * h
    return torch.exp(tilt + draw.uniform(-0.4, 0.15) * (v**2 + h**2) * draw.chance(0.6))


def _noise(draw: Draw, image: Tensor, cell_px: float) -> Tensor:
    white = torch.randn_like(image)
    if cell_px < 1.3:
        return white
    return draw.texture(image, cell_px)

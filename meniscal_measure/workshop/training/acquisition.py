"""From tissue signal to an image.

Chemical shift, blur, coil shading, the scanner's own matrix with its noise, sharpening, grey values
of eight bits, and scaling to the bright end.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from meniscal_measure.locate.frames import CEILING, NORM_QUANTILE
from meniscal_measure.workshop.training.fields import Draw

RESOLUTION_RANGE_MM = (0.25, 0.9)
MATRIX_RANGE_MM = (0.27, 0.75)
"""Pixel of the scanner's own matrix, from which the image is resampled."""
MATRIX_SHARE, SHARPENED_SHARE, EIGHT_BIT_SHARE, SHADED_SHARE = 0.6, 0.35, 0.35, 0.15
"""Shares of knees that were resampled from another matrix, sharpened by the scanner, stored in
eight bits, or shaded by the coil so strongly that one side is nearly hidden."""
LEVELS = (40, 255)
"""Grey levels of an eight-bit image up to the bright end of what is shown."""


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
    image = _through_matrix(draw, image, resolution, pixel_mm)
    soft = _blurred(image, u(0.6, 1.6) * 0.4 / pixel_mm, u(0.6, 1.6) * 0.4 / pixel_mm)
    amount = draw.chance(SHARPENED_SHARE) * u(0.2, 2.0)
    return _eight_bit(draw, (image + amount * (image - soft)).clamp(min=0))


def _through_matrix(draw: Draw, image: Tensor, resolution: Tensor, pixel_mm: float) -> Tensor:
    """Add noise, in some knees on a matrix of other pixels from which the image is resampled."""
    u = draw.uniform
    level = u(0, 0.09) * u(0.2, 1) * (1 + draw.chance(0.08))
    cell = (resolution * u(0.7, 1.3) / pixel_mm).mean().item()
    factor = (u(*MATRIX_RANGE_MM) / pixel_mm).clamp(min=1 / SPARE)
    shift = torch.rand(draw.batch, 2, device=image.device) - 0.5
    sparse = _resampled(image, factor, shift, int(image.shape[-1] * SPARE))
    noisy = _with_noise(draw, sparse, level, 1.0)
    back = _resampled(noisy, 1 / factor, -shift / factor.view(-1, 1), image.shape[-1])
    usual = _with_noise(draw, image, level, cell)
    return torch.where(draw.chance(MATRIX_SHARE) > 0, back, usual)


SPARE = 1.25
"""Rows and columns of the own matrix over those of the image, so that finer pixels fit."""


def _resampled(image: Tensor, factor: Tensor, shift: Tensor, size: int) -> Tensor:
    """Look at square images in pixels `factor` times as large, `shift` old pixels aside."""
    cells = torch.arange(size, device=image.device) - (size - 1) / 2
    half = (image.shape[-1] - 1) / 2
    at = cells[None] * factor.view(-1, 1)
    x, y = (at + shift[:, :1]) / half, (at + shift[:, 1:]) / half
    rows = y[:, :, None].expand(-1, size, size)
    columns = x[:, None, :].expand(-1, size, size)
    grid = torch.stack([columns, rows], -1)
    return functional.grid_sample(image, grid, align_corners=True, padding_mode="border")


def _with_noise(draw: Draw, image: Tensor, level: Tensor, cell_px: float) -> Tensor:
    """Add complex noise that is correlated over `cell_px` pixels, and take the magnitude."""
    fine = cell_px < 1.3
    real, imaginary = (
        level * (torch.randn_like(image) if fine else draw.texture(image, cell_px))
        for _ in range(2)
    )
    return torch.sqrt((image + real) ** 2 + imaginary**2)


def _eight_bit(draw: Draw, image: Tensor) -> Tensor:
    """Round to few grey levels and cut the brightest, as images saved for viewing are."""
    sample = image.flatten(1)[:, :: max(1, image[0].numel() // 8192)]
    share = 0.9 + 0.1 * torch.rand(1, device=image.device)
    top = torch.quantile(sample, share, dim=1).view(-1, 1, 1, 1).clamp(min=1e-4)
    steps = draw.uniform(*LEVELS) / top
    rounded = torch.round(image.minimum(top * draw.uniform(1, 1.6)) * steps) / steps
    return torch.where(draw.chance(EIGHT_BIT_SHARE) > 0, rounded, image)


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
    strong = draw.uniform(-1.4, 1.4) * h + draw.uniform(-1.0, 1.0) * v
    tilt = tilt + strong * draw.chance(SHADED_SHARE)
    return torch.exp(tilt + draw.uniform(-0.4, 0.15) * (v**2 + h**2) * draw.chance(0.6))

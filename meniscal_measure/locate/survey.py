"""First stage: every slice of the stack seen whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.locate import networks
from meniscal_measure.locate.frames import (
    SURVEY_PIXEL_MM,
    SURVEY_SIZE,
    ViewFrame,
    normalised,
    with_neighbours,
)
from meniscal_measure.locate.plateau import roof_mm, surface_mm

OFFSET_UNIT_MM = 10.0
"""Unit in which the network states distances along the stack."""
FOREGROUND = 0.15
"""Fraction of the bright end above which a pixel counts as body."""


LEFT_RIGHT = np.array([1, 0, 3, 2])
"""Order of the landmarks with left and right exchanged."""


@dataclass(frozen=True)
class Survey:
    """What the first stage says of the slices of a stack, in the order of the stack."""

    pixels: FloatArray
    """Left rim, right rim, left edge, right edge as slice `[column, row]`; (slices, 4, 2).

    Left and right are those of an upright image whose rows run downward.
    """
    measurable: FloatArray
    """Probability that the slice shows both meniscal bodies; (slices,)."""
    coronal: FloatArray
    """Probability that it is a coronal slice of a knee; (slices,)."""
    offsets_mm: FloatArray
    """Distance along the stack to the spine's apex and to the plateau's middle; (slices, 2)."""
    spreads_mm: FloatArray
    """Spread that the network states for each of them; (slices, 2)."""
    surface_mm: FloatArray
    """Upper surface of the tibia from rim to rim, see `plateau`; (slices, places)."""
    roof_mm: FloatArray
    """Lower surface of the femur above the same places."""


def survey(
    grids: Sequence[PixelGrid],
    pixels: NDArray[np.generic],
    *,
    network: str = "survey",
    mirrored: bool = False,
    pixel_mm: float = SURVEY_PIXEL_MM,
) -> Survey:
    """Run the first stage on every slice.

    Parameters
    ----------
    grids
        Plane of each slice.
    pixels
        Shape (slices, rows, columns).
    network
        Which of the first stage's networks to run.
    mirrored
        Show the network the mirror image of each slice; what it finds is mirrored back.
    pixel_mm
        Pixel of the frame: other than in training, the knee looks larger or smaller.
    """
    upended, backward = is_upended(grids[0]), is_backward(grids[0])
    centre = _centre(grids[0], pixels)
    frame = ViewFrame(centre, pixel_mm, SURVEY_SIZE, mirrored=mirrored, upended=upended)
    pictures = [frame.resample(image, grid) for image, grid in zip(pixels, grids, strict=True)]
    order = list(range(len(pictures)))[:: -1 if backward else 1]
    ordered = [pictures[i] for i in order]
    windows = np.stack([normalised(with_neighbours(ordered, i)) for i in range(len(ordered))])
    found = networks.run(network, windows)
    back = np.argsort(order)
    sign = -1.0 if backward else 1.0
    swap = LEFT_RIGHT if mirrored else np.arange(4)
    points = found.points[back]
    surfaces = [
        (surface_mm(tissue[0], rims, pixel_mm), roof_mm(tissue[2], rims, pixel_mm))
        for tissue, rims in zip(found.tissue[back], points[:, :2], strict=True)
    ]
    tops, roofs = (
        np.stack(part)[:, :: -1 if mirrored else 1] for part in zip(*surfaces, strict=True)
    )
    placed = [frame.to_slice(p, g) for p, g in zip(points, grids, strict=True)]
    scalars = found.scalars[back]
    return Survey(
        np.stack(placed)[:, swap],
        _probability(scalars[:, 0]),
        _probability(scalars[:, 1]),
        scalars[:, 2:4] * OFFSET_UNIT_MM * sign,
        np.exp(np.clip(scalars[:, 4:6], -4, 3)) * OFFSET_UNIT_MM,
        tops,
        roofs,
    )


def is_upended(grid: PixelGrid) -> bool:
    """Whether the rows of the image run upward in the patient.

    Examples
    --------
    >>> is_upended(PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 64, 64))
    False
    """
    return bool(grid.column_direction[2] > 0)


def is_backward(grid: PixelGrid) -> bool:
    """Whether the stack, as the network sees it, runs from back to front.

    Examples
    --------
    >>> is_backward(PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 64, 64))
    False
    """
    return bool(grid.normal[1] < 0)


def _centre(grid: PixelGrid, pixels: NDArray[np.generic]) -> tuple[float, float]:
    """Middle of the image, or of the body where the image is larger than the frame."""
    middle = np.array([(grid.columns - 1) / 2, (grid.rows - 1) / 2])
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    spare = np.maximum(np.array([grid.columns, grid.rows]) * spacing - SURVEY_SIZE, 0) / 2
    brightest = pixels.max(axis=0).astype(np.float64)
    body = brightest > FOREGROUND * np.quantile(brightest, 0.98)
    rows, columns = np.nonzero(body)
    if len(rows):
        away = np.array([columns.mean(), rows.mean()]) - middle
        middle = middle + np.clip(away, -spare / spacing, spare / spacing)
    return float(middle[0]), float(middle[1])


def _probability(logit: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-logit)))

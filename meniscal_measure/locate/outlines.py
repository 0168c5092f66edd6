"""Landmarks read off the outlines of tibia and meniscus as the margin network draws them.

The heat maps say which point is meant; the outlines say where its border runs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.frames import MARGIN_PIXEL_MM, Image

RIM_ANGLE_DEG = 45.0
"""The rim is where the border of the tibia faces outward and this much upward: half-way through the
turn from the plateau to the wall."""
RIM_WINDOW_MM = 4.0
"""The rim is sought this far around the heat map's point; spurs further off are left out."""
TIE_MM = 0.15
"""Border points this close to the furthest one share in its place."""

Box = tuple[tuple[float, float], tuple[float, float]]
"""Extent outward and upward from a landmark, mm."""
BELOW_RIM_MM: Box = ((-7.0, -1.5), (-7.0, -2.0))
ABOVE_RIM_MM: Box = ((-5.0, 1.0), (2.5, 6.0))
INWARD_OF_EDGE_MM: Box = ((-3.0, -0.6), (-0.8, 0.8))


def rim(tibia: Image, near: FloatArray, axis: FloatArray) -> FloatArray | None:
    """Corner of the tibia between plateau and wall.

    Parameters
    ----------
    tibia
        Probability of tibia, shape (rows, columns).
    near
        `[column, row]` around which to look.
    axis
        Outward unit vector of the joint line, `[column, row]`.
    """
    rows, columns = np.indices(tibia.shape)
    away = np.hypot(columns - near[0], rows - near[1]) * MARGIN_PIXEL_MM
    angle = math.radians(RIM_ANGLE_DEG)
    upward = np.array([axis[1], -axis[0]])
    direction = math.cos(angle) * np.asarray(axis) + math.sin(angle) * upward
    return _furthest(np.where(away < RIM_WINDOW_MM, tibia, 0), direction)


def meniscal_ends(
    meniscus: Image, near: FloatArray, axis: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Outermost and innermost point of the body of meniscus next to a point.

    Parameters
    ----------
    meniscus
        Probability of meniscus, shape (rows, columns).
    near
        `[column, row]` of the outer edge by the heat map.
    axis
        Outward unit vector of the joint line.
    """
    labels, count = ndimage.label(meniscus > 0.5)
    if count == 0:
        return None
    rows, columns = np.nonzero(labels)
    closest = np.argmin((columns - near[0]) ** 2 + (rows - near[1]) ** 2)
    body = np.where(labels == labels[rows[closest], columns[closest]], meniscus, 0)
    outer, inner = _furthest(body, axis), _furthest(body, -np.asarray(axis))
    return None if outer is None or inner is None else (outer, inner)


def bone(tibia: Image, rim_px: FloatArray, axis: FloatArray) -> float:
    """How clearly bone lies below a rim and none above it: 1 wholly, 0 not at all.

    Parameters
    ----------
    tibia
        Probability of tibia, shape (rows, columns).
    rim_px
        `[column, row]` of the rim.
    axis
        Outward unit vector of the joint line.
    """
    below, above = (_mean(tibia, rim_px, axis, box) for box in (BELOW_RIM_MM, ABOVE_RIM_MM))
    return below - above


def body(meniscus: Image, edge_px: FloatArray, axis: FloatArray) -> float:
    """Mean probability of meniscus just inward of its outer edge."""
    return _mean(meniscus, edge_px, axis, INWARD_OF_EDGE_MM)


def _mean(region: NDArray[np.floating], around: FloatArray, axis: FloatArray, box_mm: Box) -> float:
    """Mean over a box given by its extent outward and upward from a point."""
    outward, upward = (np.linspace(*ends, 9) / MARGIN_PIXEL_MM for ends in box_mm)
    up = np.array([axis[1], -axis[0]])
    points = around + outward[:, None, None] * np.asarray(axis) + upward[None, :, None] * up
    return float(ndimage.map_coordinates(region, [points[..., 1], points[..., 0]], order=1).mean())


def _furthest(region: NDArray[np.floating], direction: FloatArray) -> FloatArray | None:
    """Point of the half-probability border furthest along a direction, to a part of a pixel."""
    rows, columns = np.nonzero(region > 0.5)
    if len(rows) == 0:
        return None
    beyond = _step_to_border(region, rows, columns)
    reach = columns * direction[0] + rows * direction[1] + beyond
    best = float(reach.max())
    weight = np.exp((reach - best) * MARGIN_PIXEL_MM / TIE_MM)
    weight /= weight.sum()
    across = np.array([-direction[1], direction[0]])
    sideways = float(weight @ (columns * across[0] + rows * across[1]))
    return best * np.asarray(direction) + sideways * across


def _step_to_border(
    region: NDArray[np.floating], rows: NDArray[np.intp], columns: NDArray[np.intp]
) -> FloatArray:
    """Depth of pixels inside the border, by probability and the steepest fall beside them."""
    padded = np.pad(region, 1, mode="edge")
    neighbours = [
        padded[rows + 1 + down, columns + 1 + right]
        for down, right in ((-1, 0), (1, 0), (0, -1), (0, 1))
    ]
    inside = region[rows, columns]
    fall = np.maximum(inside - np.min(neighbours, axis=0), 1e-3)
    return np.asarray(np.clip((inside - 0.5) / fall, 0, 1))

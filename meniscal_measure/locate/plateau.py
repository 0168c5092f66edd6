"""The upper surface of the tibia on each slice, read off its outline in the first stage."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.geometry import FloatArray

ACROSS = np.linspace(0, 1, 41)
"""Places at which the surface is read, as fractions of the way from the left rim to the right."""
BELOW_MM, ABOVE_MM, STEP_MM = -8.0, 20.0, 0.5
"""Range over which the surface is sought about the line of the rims. Spines of real knees rise to
14 mm above it (95th percentile of 44 knees measured on label maps)."""
ROOF_FROM_MM, ROOF_TO_MM = -4.0, 48.0
"""Range over which the femur is sought: the notch of real knees is up to 30 mm high."""
NOTCH = (0.4, 0.6)
"""Where the notch lies: 17 mm wide at half its height, 23 mm at a quarter (the same knees)."""
LEFT_SPINE, RIGHT_SPINE = (0.30, 0.50), (0.50, 0.70)
"""Where the spines stand: their apices lie 0.41 of the plateau's width from the medial rim and 0.44
from the lateral one, with a standard deviation of 0.03 (the same knees)."""


def surface_mm(tibia: NDArray[np.floating], rims: FloatArray, pixel_mm: float) -> FloatArray:
    """Height of the upper surface of the tibia above the line of the rims.

    Parameters
    ----------
    tibia
        Probability of tibia, shape (rows, columns), rows downward.
    rims
        `[column, row]` of the left and the right rim.
    pixel_mm
        Pixel of the image.

    Returns
    -------
    FloatArray
        Heights in mm at the places of `ACROSS`; NaN where there is no tibia below, or no end of it.
    """
    heights = np.arange(BELOW_MM, ABOVE_MM, STEP_MM)
    return np.array([_top(column, heights) for column in _columns(tibia, rims, heights / pixel_mm)])


def roof_mm(femur: NDArray[np.floating], rims: FloatArray, pixel_mm: float) -> FloatArray:
    """Height of the lowest point of the femur above the line of the rims, as `surface_mm`.

    NaN where there is no femur above, as in a notch that is open.
    """
    heights = np.arange(ROOF_FROM_MM, ROOF_TO_MM, STEP_MM)
    inside = _columns(femur, rims, heights / pixel_mm) > 0.5
    return np.where(inside.any(axis=1), heights[inside.argmax(axis=1)], np.nan)


def _columns(region: NDArray[np.floating], rims: FloatArray, heights_px: FloatArray) -> FloatArray:
    """Values on lines square to that of the rims, shape (places, heights)."""
    line = rims[1] - rims[0]
    upward = np.array([line[1], -line[0]]) / max(float(np.linalg.norm(line)), 1e-6)
    points = rims[0] + ACROSS[:, None, None] * line + heights_px[None, :, None] * upward
    return np.asarray(
        ndimage.map_coordinates(region, [points[..., 1], points[..., 0]], order=1), dtype=np.float64
    )


def _top(bone: FloatArray, heights_mm: FloatArray) -> float:
    """Height at which the lowest run of bone ends."""
    inside = bone > 0.5
    if not inside.any():
        return float("nan")
    first = int(inside.argmax())
    outside = np.flatnonzero(~inside[first:])
    if not len(outside):
        return float("nan")
    last = first + int(outside[0]) - 1
    part = (bone[last] - 0.5) / (bone[last] - bone[last + 1])
    return float(heights_mm[last] + part * STEP_MM)


def spines_mm(surface: FloatArray) -> FloatArray:
    """Height of the left and right spine on each slice, shape (slices, 2); NaN where unknown.

    Parameters
    ----------
    surface
        As `surface_mm` gives it for each slice, shape (slices, places).
    """
    found = np.full((len(surface), 2), np.nan)
    for side, (start, end) in enumerate((LEFT_SPINE, RIGHT_SPINE)):
        within = (start < ACROSS) & (end > ACROSS)
        part = surface[:, within]
        known = ~np.isnan(part).all(axis=1)
        found[known, side] = np.nanmax(part[known], axis=1)
    return found


def notch_mm(roof: FloatArray) -> FloatArray:
    """Height of the notch over the lower condyle on each slice; NaN where it is open or unknown.

    Parameters
    ----------
    roof
        As `roof_mm` gives it for each slice, shape (slices, places).
    """
    middle = roof[:, (NOTCH[0] < ACROSS) & (NOTCH[1] > ACROSS)]
    condyles = roof[:, (NOTCH[0] > ACROSS) | (NOTCH[1] < ACROSS)]
    known = (np.isnan(middle).mean(axis=1) < 0.5) & ~np.isnan(condyles).all(axis=1)
    found = np.full(len(roof), np.nan)
    found[known] = np.nanmax(middle[known], axis=1) - np.nanmin(condyles[known], axis=1)
    return found

"""Height of the meniscal triangle at its free edge: what supports a truncation sign."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, unit_vector
from meniscal_measure.knee.horn_signal import bright_level, sampled
from meniscal_measure.knee.named_landmarks import SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedQuantity

FROM_EDGE_MM = 1.0
"""Where the height at the free edge is taken: nearer than this it is that of the blurred tip."""

REACH_MM, STEP_MM = 6.0, 0.1
"""Half of the line across the triangle, and the distance of samples on it."""

SHORTEST_MM = 3.0
"""A triangle shorter than this has no measurable shape on slices of common resolution (common
practice, no source)."""


def edge_bluntness(
    outer: SpatialLandmark, free: SpatialLandmark, image: NDArray[np.float32]
) -> TracedQuantity:
    """Measure the height of the triangle near its free edge over its largest height.

    Near 0 for a triangle that tapers to its edge, near 1 for one that ends abruptly. Dark is what
    lies below half-way between the signal along the triangle and the bright level around it. The
    image of its slice is `[row, column]`.

    Raises
    ------
    LandmarkError
        If the two lie on different slices, or so close that there is no triangle between them.
    """
    if outer.where != free.where:
        raise LandmarkError(
            f"The outer and the free edge of the horn lie on {outer.where} and {free.where}. Place"
            " both on one slice."
        )
    span = np.subtract(outer.point_mm, free.point_mm)
    length_mm = float(np.linalg.norm(span))
    if length_mm < SHORTEST_MM:
        raise LandmarkError(
            f"The outer and the free edge of the horn are {length_mm:.1f} mm apart; at least"
            f" {SHORTEST_MM:g} mm are needed. Place them at the ends of the triangle."
        )
    along = unit_vector(span)
    steps_mm = np.arange(FROM_EDGE_MM, length_mm - FROM_EDGE_MM / 2, 2 * STEP_MM)
    inside = sampled(image, free.grid, free.point_mm + steps_mm[:, None] * along)
    limit = (float(np.median(inside)) + bright_level(image, outer)) / 2
    near = [FROM_EDGE_MM + shift for shift in (-free.sd_mm, 0.0, free.sd_mm)]
    heights = np.array([_height_mm(image, free, along, at, limit) for at in (*near, *steps_mm)])
    largest_mm = max(float(heights[3:].max()), STEP_MM)
    placement = abs(float(heights[2] - heights[0])) / 2
    pixel = free.grid.row_spacing_mm / math.sqrt(12)
    return TracedQuantity(
        "height of the triangle at its free edge over its largest", float(heights[1]) / largest_mm,
        "1", math.hypot(placement, pixel) / largest_mm, Basis.PIXELS, (free.where,),
        f"{FROM_EDGE_MM:g} mm from the edge, {heights[1]:.1f} of {largest_mm:.1f} mm; u from the"
        " placement of the free edge and the size of a pixel",
    )  # fmt: skip


def _height_mm(
    image: NDArray[np.float32], free: SpatialLandmark, along: FloatArray, at_mm: float, limit: float
) -> float:
    """Length of the dark run across the triangle, mm; 0 where its middle is not dark."""
    across = np.cross(free.grid.normal, along)
    offsets_mm = np.arange(-REACH_MM, REACH_MM + STEP_MM, STEP_MM)
    line = free.point_mm + at_mm * along + offsets_mm[:, None] * across
    dark = sampled(image, free.grid, line) < limit
    middle = math.floor(len(dark) / 2)
    labels, _ = ndimage.label(dark)
    near = labels[middle - 10 : middle + 11]
    found = np.unique(near[near > 0])
    return STEP_MM * float(max((np.sum(labels == run) for run in found), default=0))

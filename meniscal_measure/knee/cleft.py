"""The gap of a cleft between two edges, found to a fraction of a pixel where they are clear."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.caliper.edges import refine_edge
from meniscal_measure.errors import EdgeNotFoundError, LandmarkError
from meniscal_measure.geometry import FloatArray, unit_vector
from meniscal_measure.knee.named_landmarks import SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedQuantity


def cleft_gap(
    first: SpatialLandmark, second: SpatialLandmark, image: NDArray[np.float32]
) -> TracedQuantity:
    """Measure the gap between the two edges of a cleft on one slice.

    Each landmark is moved along the line through both onto the edge nearby; one without a clear
    edge stays where it was placed, with the deviation of its placement.

    Parameters
    ----------
    first, second
        Landmarks on either edge, on the same slice.
    image
        Its grey values `[row, column]`.

    Raises
    ------
    LandmarkError
        If they lie on different slices.
    """
    if first.where != second.where:
        raise LandmarkError(
            "The edges of the cleft lie on {first} and {second}. Place both on one slice.",
            first=str(first.where),
            second=str(second.where),
        )
    across = unit_vector(np.subtract(second.point_mm, first.point_mm))
    start, end = (_edge(landmark, image, across) for landmark in (first, second))
    refined = sum(found[2] for found in (start, end))
    return TracedQuantity(
        "gap of the cleft",
        float((end[0] - start[0]) @ across),
        "mm",
        math.hypot(start[1], end[1]),
        Basis.PIXELS if refined else Basis.READER,
        (first.where,),
        f"{refined} of 2 edges found in the pixels, along the line through both landmarks",
    )


def _edge(
    landmark: SpatialLandmark, image: NDArray[np.float32], direction: FloatArray
) -> tuple[FloatArray, float, bool]:
    """Position, standard deviation along the direction, and whether the pixels gave it."""
    try:
        edge = refine_edge(image, landmark.grid, point_mm=landmark.point_mm, direction=direction)
    except EdgeNotFoundError:
        return np.asarray(landmark.point_mm), landmark.sd_mm, False
    return np.asarray(edge.point_mm), edge.sd_mm, True

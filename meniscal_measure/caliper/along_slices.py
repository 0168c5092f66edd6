"""How the measures change along the slices, and what the choice of the slice adds to them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from meniscal_measure.caliper.budget import Geometry, SliceChoice
from meniscal_measure.caliper.definitions import Key, plane_measures


def choice_among(
    geometries: Mapping[int, Geometry], measured: int, positions_mm: Sequence[float]
) -> SliceChoice | None:
    """Find how the measures of a slice would change on the slices beside it.

    None where no neighbour was measured. The slope of a measure is the root mean square of its
    slopes to the nearest measured slice before and after: on a straight run this is the slope
    itself, and at a maximum, where the two sides cancel, it still shows how much a neighbouring
    slice would have differed. Noise of the neighbours' landmarks is in it, so that it errs to the
    large side.

    Parameters
    ----------
    geometries
        Landmarks of every measured slice, by slice index.
    measured
        Index of the slice the reading is for.
    positions_mm
        Position of every slice of the stack along its normal, mm.
    """
    beside = [
        nearest
        for nearest in (
            max((index for index in geometries if index < measured), default=None),
            min((index for index in geometries if index > measured), default=None),
        )
        if nearest is not None
    ]
    if not beside:
        return None
    here = _values(geometries[measured])
    squares: dict[Key, list[float]] = {}
    for index in beside:
        distance_mm = positions_mm[index] - positions_mm[measured]
        for key, value in _values(geometries[index]).items():
            if key in here:
                squares.setdefault(key, []).append(((value - here[key]) / distance_mm) ** 2)
    slopes = {key: math.sqrt(sum(terms) / len(terms)) for key, terms in squares.items()}
    return SliceChoice(position_sd_mm(measured, positions_mm), slopes)


def _values(geometry: Geometry) -> dict[Key, float]:
    measures = plane_measures(geometry.points, geometry.convention)
    return {key: float(value) for key, value in measures.items()}


def position_sd_mm(measured: int, positions_mm: Sequence[float]) -> float:
    """Calculate the standard deviation of the position of a slice, mm.

    The place that the slice convention means lies anywhere within half a slice spacing of the
    slice chosen for it: a rectangular distribution as wide as the spacing around the slice, so
    spacing / sqrt(12) (JCGM 100:2008 4.3.7).

    Examples
    --------
    >>> round(position_sd_mm(1, [0.0, 3.0, 6.0]), 3)
    0.866
    """
    first, last = max(measured - 1, 0), min(measured + 1, len(positions_mm) - 1)
    spacing_mm = abs(positions_mm[last] - positions_mm[first]) / (last - first)
    return spacing_mm / math.sqrt(12)

"""What the slices say together: which is the middle one, and where a landmark lies on each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.survey import Survey

OUTLINE_RADIUS_MM = 25.0
"""Radius of the plateau's border seen from above: how fast a point turns from slice to slice."""
APEX = 0
"""Index of the apex of the medial spine among the distances that the first stage states."""
ROUGHNESS_MM = 0.35
"""A landmark departs from a smooth course over the slices by so much without being wrong."""
APART = 0.7
"""Share of a landmark's standard deviation by which it errs differently on neighbouring slices."""
TAIL, PASSES = 1.0, 7
"""Degrees of freedom of the Student distribution of these errors, and passes to weigh them by."""


def middle_mm(surveys: Sequence[Survey], positions_mm: FloatArray) -> float:
    """Position of the apex of the medial spine along the stack.

    Each slice states how far the apex lies from it; the weighted median of these statements is
    taken, a slice weighing the more the surer it is.

    Parameters
    ----------
    surveys
        What the networks of the first stage found.
    positions_mm
        Position of each slice along the stack.
    """
    stated = np.concatenate([positions_mm + seen.offsets_mm[:, APEX] for seen in surveys])
    weight = np.concatenate(
        [seen.measurable * seen.coronal / seen.spreads_mm[:, APEX] for seen in surveys]
    )
    order = np.argsort(stated)
    share = np.cumsum(weight[order])
    return float(stated[order][np.searchsorted(share, 0.5 * share[-1])])


def smoothed(places: FloatArray, sds: FloatArray, spacing_mm: float) -> FloatArray:
    """Draw the course of a landmark over neighbouring slices through its noisy places.

    Minimises the squared departures from the places, each over its variance, plus the squared
    second differences over that of a landmark following the border of the plateau. A place far off
    the course loses weight, as if errors followed a Student distribution.

    Parameters
    ----------
    places
        Where it was found on consecutive slices, mm, shape (slices, coordinates).
    sds
        Standard deviation of each place, mm.
    spacing_mm
        Distance between the slices.

    Examples
    --------
    >>> places = np.array([[1.0], [2.0], [6.0], [4.0], [5.0]])
    >>> smoothed(places, np.array([0.3, 0.3, 3.0, 0.3, 0.3]), 1.0).ravel().round(1).tolist()
    [1.0, 2.0, 3.0, 4.0, 5.0]
    """
    count = len(places)
    variance = (APART * np.asarray(sds)) ** 2
    bend = np.diff(np.eye(count), n=2, axis=0) if count > 2 else np.zeros((0, count))
    stiffness = bend.T @ bend / (ROUGHNESS_MM + spacing_mm**2 / OUTLINE_RADIUS_MM) ** 2
    weights, smooth = np.ones(count), np.asarray(places, dtype=np.float64)
    for _ in range(PASSES):
        precision = np.diag(weights / variance)
        smooth = np.asarray(np.linalg.solve(precision + stiffness, precision @ places), np.float64)
        off = ((places - smooth) ** 2).sum(axis=1) / variance
        weights = (TAIL + 1) / (TAIL + off)
    return smooth

"""What each measure is, as a function of the landmarks in the slice plane."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import PlanePoints, outward
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.geometry import FloatArray


class Measure(StrEnum):
    """The measures of a slice, named as the fields of a reading."""

    EXTRUSION = "extrusion_mm"
    BODY_WIDTH = "body_width_mm"
    OVERLAP = "overlap_mm"
    RELATIVE_EXTRUSION = "relative_extrusion"
    COVERAGE = "coverage"
    EXTRUSION_OVER_PLATEAU_WIDTH = "extrusion_over_plateau_width"
    PLATEAU_WIDTH = "plateau_width_mm"


Key = tuple[Compartment | None, Measure]
"""A measure of one compartment, or of the whole slice where the compartment is None."""

RIM_TO_SPINE_BASE = "rim_to_spine_base"
"""Coverage is taken over the distance from the rim to the base of the tibial spine."""
HALF_PLATEAU = "half_plateau"
"""Coverage is taken over half the distance between the rims, as no spine base was placed."""
NO_WIDTH = "none"
"""No plateau width is known: neither the spine base nor the opposite rim was placed."""


def measured_compartments(points: PlanePoints) -> tuple[Compartment, ...]:
    """List the compartments whose rim and outer edge are placed.

    Examples
    --------
    >>> rim = (Compartment.MEDIAL, Landmark.RIM)
    >>> measured_compartments({rim: np.zeros(2)})
    ()
    >>> edge = (Compartment.MEDIAL, Landmark.OUTER_EDGE)
    >>> measured_compartments({rim: np.zeros(2), edge: np.ones(2)})
    (<Compartment.MEDIAL: 'medial'>,)
    """
    return tuple(
        compartment
        for compartment in Compartment
        if (compartment, Landmark.RIM) in points and (compartment, Landmark.OUTER_EDGE) in points
    )


def plane_measures(points: PlanePoints, convention: AxisConvention) -> dict[Key, FloatArray]:
    """Calculate every measure that the placed landmarks allow, along the axis of a convention.

    Lengths in mm and fractions, numbers or of shape (cases,) as the points have cases.

    Notes
    -----
    With `a` the outward unit vector: extrusion = (outer edge - rim) . a, negative where the body
    ends on the plateau; body width = (outer edge - free edge) . a; overlap is the part of the
    body that lies on the plateau, so that body width = overlap + extrusion for a body that
    reaches over the rim, overlap = body width for one that does not, and 0 for one that lies
    wholly outside. Relative extrusion = extrusion / body width (Furumatsu 2017); coverage =
    overlap / width of the compartment's plateau, and extrusion / plateau width (Bruns 2014). The
    plateau width is the straight distance between the rims, whatever the axis.

    Raises
    ------
    LandmarkError
        If a landmark that the axis convention needs was not placed.

    Examples
    --------
    >>> points = {
    ...     (Compartment.MEDIAL, Landmark.RIM): np.array([36.0, 0.0]),
    ...     (Compartment.MEDIAL, Landmark.OUTER_EDGE): np.array([40.0, -3.0]),
    ...     (Compartment.MEDIAL, Landmark.FREE_EDGE): np.array([30.0, -3.0]),
    ...     (Compartment.LATERAL, Landmark.RIM): np.array([-36.0, 0.0]),
    ... }
    >>> measures = plane_measures(points, AxisConvention.RIM_TO_RIM)
    >>> [float(measures[Compartment.MEDIAL, measure]) for measure in (Measure.EXTRUSION,
    ...     Measure.BODY_WIDTH, Measure.OVERLAP, Measure.RELATIVE_EXTRUSION)]
    [4.0, 10.0, 6.0, 0.4]
    >>> float(measures[None, Measure.PLATEAU_WIDTH])
    72.0
    """
    plateau_width_mm = _plateau_width_mm(points)
    measures: dict[Key, FloatArray] = {}
    if plateau_width_mm is not None:
        measures[None, Measure.PLATEAU_WIDTH] = plateau_width_mm
    for compartment in measured_compartments(points):
        axis = outward(points, compartment, convention)
        for measure, value in _compartment(points, compartment, axis, plateau_width_mm):
            measures[compartment, measure] = value
    return measures


def _compartment(
    points: PlanePoints,
    compartment: Compartment,
    axis: FloatArray,
    plateau_width_mm: FloatArray | None,
) -> Iterator[tuple[Measure, FloatArray]]:
    rim = _along(axis, points[compartment, Landmark.RIM])
    edge = _along(axis, points[compartment, Landmark.OUTER_EDGE])
    extrusion_mm = edge - rim
    yield Measure.EXTRUSION, extrusion_mm
    if plateau_width_mm is not None:
        yield Measure.EXTRUSION_OVER_PLATEAU_WIDTH, extrusion_mm / plateau_width_mm
    if (compartment, Landmark.FREE_EDGE) not in points:
        return
    free_edge = _along(axis, points[compartment, Landmark.FREE_EDGE])
    overlap_mm = np.maximum(np.minimum(edge, rim) - free_edge, 0.0)
    yield Measure.BODY_WIDTH, edge - free_edge
    yield Measure.OVERLAP, overlap_mm
    yield Measure.RELATIVE_EXTRUSION, extrusion_mm / (edge - free_edge)
    if (compartment, Landmark.SPINE_BASE) in points:
        spine_base = _along(axis, points[compartment, Landmark.SPINE_BASE])
        yield Measure.COVERAGE, overlap_mm / (rim - spine_base)
    elif plateau_width_mm is not None:
        yield Measure.COVERAGE, overlap_mm / (plateau_width_mm / 2)


def _along(axis: FloatArray, point: FloatArray) -> FloatArray:
    return np.asarray(axis[0] * point[0] + axis[1] * point[1], dtype=np.float64)


def _plateau_width_mm(points: PlanePoints) -> FloatArray | None:
    for compartment in (Compartment.MEDIAL, Compartment.IMAGE_LEFT):
        rims = [points.get((side, Landmark.RIM)) for side in (compartment, compartment.opposite)]
        if rims[0] is not None and rims[1] is not None:
            return np.asarray(np.hypot(*(rims[0] - rims[1])), dtype=np.float64)
    return None


def coverage_width(points: PlanePoints, compartment: Compartment) -> str:
    """Name the plateau width over which the coverage of a compartment is taken.

    Examples
    --------
    >>> coverage_width({(Compartment.MEDIAL, Landmark.SPINE_BASE): np.zeros(2)}, Compartment.MEDIAL)
    'rim_to_spine_base'
    """
    if (compartment, Landmark.SPINE_BASE) in points:
        return RIM_TO_SPINE_BASE
    return NO_WIDTH if _plateau_width_mm(points) is None else HALF_PLATEAU

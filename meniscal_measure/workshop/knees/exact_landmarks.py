"""The exact landmarks and extrusion of a synthetic knee on any slice.

Rims, outer walls and inner edges are explicit curves and surfaces; cut by the plane of a slice they
give points that are exact to rounding, whatever the pixels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Protocol, TypeAlias

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, as_vector, unit_vector
from meniscal_measure.workshop.knees.meniscus import Meniscus
from meniscal_measure.workshop.knees.meniscus_section import Cut, MeniscusSection
from meniscal_measure.workshop.knees.signed_distance import Field
from meniscal_measure.workshop.knees.tibia import Tibia

MAX_OBLIQUITY_DEG = 50.0
"""Largest angle between the slice normal and the antero-posterior axis that is still coronal."""

SEARCH_ANGLE_DEG = 88.0
"""Crossings are looked for so far to either side of the middle of the body."""

SEARCH_COUNT = 265
NEWTON_STEPS = 8
DERIVATIVE_STEP = 1e-6

COMPARTMENTS = (Compartment.MEDIAL, Compartment.LATERAL)

Curve: TypeAlias = Callable[[Field], tuple[Field, Field, Field]]
SliceTruth: TypeAlias = dict[Compartment, dict[Landmark, Vector]]


class Anatomy(Protocol):
    """What the landmarks follow from."""

    @property
    def tibia(self) -> Tibia:
        """The tibia with its rims."""

    @property
    def menisci(self) -> Mapping[Compartment, Meniscus]:
        """Both menisci."""

    @property
    def mirror(self) -> float:
        """1 for a right knee, whose medial side is at +x; -1 for a left one."""


@dataclass(frozen=True)
class MidCoronal:
    """Middle of the knee from front to back by two conventions, as points in LPS mm."""

    medial_spine_apex: Vector
    plateau_midpoint: Vector


def landmarks_on(
    knee: Anatomy, grid: PixelGrid, *, edges_of: Collection[Compartment] = COMPARTMENTS
) -> SliceTruth | None:
    """Landmarks of both compartments, LPS mm, where the plane of `grid` cuts the knee.

    Both compartments have their rim and spine base; outer edge and free edge only where the plane
    cuts the body of the meniscus (the middle third between its roots: common practice, no source)
    through both edges, and only of the menisci in `edges_of`. None where none can be measured.
    """
    normal = grid.normal if grid.normal[1] > 0 else -grid.normal
    cut = Cut(normal * [knee.mirror, 1.0, 1.0], float(grid.origin @ normal))
    rims = _rim_angles(knee, cut)
    if len(rims) < len(COMPARTMENTS):
        return None
    points: dict[Compartment, dict[Landmark, FloatArray]] = {}
    for compartment, angle in rims.items():
        points[compartment] = {
            Landmark.RIM: _point(knee.tibia.rim(compartment, np.array(angle))),
            Landmark.SPINE_BASE: _spine_base(knee, compartment, cut),
        }
    for compartment, angle in rims.items():
        axis = unit_vector(
            points[compartment][Landmark.RIM] - points[compartment.opposite][Landmark.RIM]
        )
        if compartment in edges_of:
            points[compartment] |= _edges(knee.menisci[compartment], cut, axis, angle)
    if not any(Landmark.OUTER_EDGE in found for found in points.values()):
        return None
    return {
        compartment: {name: _in_patient(knee, point) for name, point in found.items()}
        for compartment, found in points.items()
    }


def extrusion_of(points: SliceTruth) -> dict[Compartment, float]:
    """Extrusion in mm that the landmarks of a slice give, where both edges of a meniscus are known.

    Signed distance along the unit vector from the other rim to this one, from this rim to the
    outer edge.

    Examples
    --------
    >>> medial = {Landmark.RIM: (30.0, 0.0, 0.0), Landmark.OUTER_EDGE: (34.0, 0.0, 3.0)}
    >>> lateral = {Landmark.RIM: (-30.0, 0.0, 0.0)}
    >>> extrusion_of({Compartment.MEDIAL: medial, Compartment.LATERAL: lateral})
    {<Compartment.MEDIAL: 'medial'>: 4.0}
    """
    extrusion_mm = {}
    for compartment, found in points.items():
        if Landmark.OUTER_EDGE in found:
            rim = np.array(found[Landmark.RIM])
            axis = unit_vector(rim - np.array(points[compartment.opposite][Landmark.RIM]))
            extrusion_mm[compartment] = float((np.array(found[Landmark.OUTER_EDGE]) - rim) @ axis)
    return extrusion_mm


def mid_coronal(knee: Anatomy) -> MidCoronal:
    """Return the middle of the knee by the named conventions.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.parameters import KneeParameters
    >>> from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
    >>> [round(part, 1) for part in mid_coronal(SyntheticKnee(KneeParameters())).medial_spine_apex]
    [6.5, 0.9, 9.5]
    """
    angles = np.linspace(-math.pi, math.pi, 3601)
    rims = [knee.tibia.rim(compartment, angles)[1] for compartment in COMPARTMENTS]
    middle = 0.5 * (max(float(y.max()) for y in rims) + min(float(y.min()) for y in rims))
    u, y_apex = knee.tibia.apex(Compartment.MEDIAL)
    apex = np.array([u, y_apex, knee.tibia.height_at(u, y_apex)])
    return MidCoronal(_in_patient(knee, apex), plateau_midpoint=(0.0, middle, 0.0))


def _rim_angles(knee: Anatomy, cut: Cut) -> dict[Compartment, float]:
    """Where the plane passes once through the rim of each compartment."""
    if cut.normal[1] < math.cos(math.radians(MAX_OBLIQUITY_DEG)):
        return {}
    found = {}
    for compartment in COMPARTMENTS:
        angles = list(_crossings(partial(knee.tibia.rim, compartment), cut))
        if len(angles) == 1:
            found[compartment] = angles[0]
    return found


def _crossings(curve: Curve, cut: Cut) -> Iterator[float]:
    """Angles at which a curve about the plateau passes through the plane."""
    limit = math.radians(SEARCH_ANGLE_DEG)
    angles = np.linspace(-limit, limit, SEARCH_COUNT)
    beyond = cut.beyond(curve(angles))
    for place in np.flatnonzero(np.diff(np.signbit(beyond))):
        share = beyond[place] / (beyond[place] - beyond[place + 1])
        start = angles[place] + share * (angles[place + 1] - angles[place])
        yield float(_onto_plane(lambda angle: cut.beyond(curve(angle)), np.array([start]))[0])


def _onto_plane(beyond: Callable[[Field], Field], at: Field) -> Field:
    """Find the places near the given ones at which `beyond` is zero, by Newton's method."""
    for _ in range(NEWTON_STEPS):
        here, aside = beyond(np.stack([at, at + DERIVATIVE_STEP]))
        before, at = at, at - here * DERIVATIVE_STEP / (aside - here)
        if np.array_equal(at, before):
            break
    return at


def _edges(
    meniscus: Meniscus, cut: Cut, axis: FloatArray, rim_angle: float
) -> dict[Landmark, FloatArray]:
    third = (meniscus.posterior.angle - meniscus.anterior.angle) / 3.0
    if not third <= rim_angle - meniscus.anterior.angle <= 2.0 * third:
        return {}
    section = MeniscusSection(meniscus, cut)
    outer, inner = section.outermost(axis), section.innermost(axis)
    if outer is None or inner is None:
        return {}
    return {Landmark.OUTER_EDGE: outer, Landmark.FREE_EDGE: inner}


def _spine_base(knee: Anatomy, compartment: Compartment, cut: Cut) -> FloatArray:
    u = float(knee.tibia.plateau(compartment).spine_base_u)

    def curve(y: Field) -> tuple[Field, Field, Field]:
        return u + 0.0 * y, y, knee.tibia.height(u + 0.0 * y, y)

    y = _onto_plane(
        lambda values: cut.beyond(curve(values)),
        np.array([(cut.offset - cut.normal[0] * u) / cut.normal[1]]),
    )
    point: FloatArray = _point(curve(y))[0]
    return point


def _point(coordinates: tuple[Field, Field, Field]) -> FloatArray:
    stacked: FloatArray = np.stack(np.broadcast_arrays(*coordinates), axis=-1)
    return stacked


def _in_patient(knee: Anatomy, point: FloatArray) -> Vector:
    return as_vector(point * [knee.mirror, 1.0, 1.0])

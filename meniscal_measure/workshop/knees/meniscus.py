"""The menisci: wedges swept along the rims between their roots, whole or torn.

A meniscus is described in polar coordinates about the centre of its plateau: `angle` along the
rim (0 outward, positive backwards), `reach` from the centre, and `h`, the height above its own
under-surface. Outer wall and inner edge are explicit surfaces in these coordinates, which is what
makes the landmarks exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.parameters import (
    BodyTear,
    KneeParameters,
    MeniscusParameters,
    RootTear,
    TearParameters,
)
from meniscal_measure.workshop.knees.signed_distance import (
    ROUND_OFF,
    Field,
    bump,
    maximum,
    minimum,
    positive,
    smooth_max,
    smoothstep,
    unit_clip,
)
from meniscal_measure.workshop.knees.spines import FOOTPRINT_U, FOOTPRINT_Y
from meniscal_measure.workshop.knees.tibia import Tibia
from meniscal_measure.workshop.knees.tibial_plateau import Plateau

WALL_FILLET_MM = 0.5
"""Fillet between the outer wall and the upper and lower surface."""

WALL_CLEARANCE_MM = 1.5
"""Height above the outermost point that the femur is not allowed to cut away."""

TIP_BULGE_MM = 0.25
"""How far the inner edge recedes between its middle and its corners."""

HORN_RAD = math.radians(75.0)
"""Angle from the middle of the body at which widths and extrusions are those of a horn."""

ROOT_ARC_RAD = math.radians(60.0)
"""Length of the arc over which a horn runs in from the rim to its root."""

LEAST_REACH_MM = 2.0
"""Least distance of the free edge of the body from the centre of the plateau."""

ROOT_WIDTH_MM, ROOT_HEIGHT_MM = 6.5, 3.2
"""Section of a root at its attachment (areas of 30 to 60 mm2: Johannsen 2012 and others)."""

ROOT_OFFSETS_MM = {
    (Compartment.MEDIAL, "anterior"): (-2.5, -25.0),
    (Compartment.MEDIAL, "posterior"): (-0.7, 9.6),
    (Compartment.LATERAL, "anterior"): (-0.6, -13.2),
    (Compartment.LATERAL, "posterior"): (4.2, 1.5),
}
"""Centre of each root from the apex of the spine of its side, towards medial and backwards.

Posterior roots: Johannsen 2012, Am J Sports Med 40:2342-2347 (quoted from memory). Anterior roots:
cadaver series of 30 knees (medial 25.4 +- 5.3 anterior, 3.0 +- 0.9 lateral; lateral 13.0 +- 2.9
anterior) and Am J Sports Med 2014;42:2386-2392 (27.5 mm; 14.4 mm).
"""


@dataclass(frozen=True)
class Wedge:
    """The wedge at one place along the rim."""

    outer: Field
    """Reach of the outermost point."""
    inner: Field
    """Reach of the inner edge."""
    height: Field
    rises_from: Field
    """Reach at which the upper surface would meet the free edge: further in than `inner` where the
    edge is cut off."""


@dataclass(frozen=True)
class Located:
    """Points in the coordinates of a meniscus."""

    angle: Field
    reach: Field
    beyond: Field
    """Distance beyond the rim."""
    h: Field
    section: Wedge


@dataclass(frozen=True)
class Profile:
    """A quantity that varies smoothly from the anterior horn over the body to the posterior one."""

    anterior: float
    body: float
    posterior: float

    def at(self, angle: Field) -> Field:
        """Value at an angle along the rim.

        Examples
        --------
        >>> Profile(9.0, 10.0, 12.0).at(np.radians([-90.0, 0.0, 90.0])).tolist()
        [9.0, 10.0, 12.0]
        """
        back = smoothstep(angle * (1.0 / HORN_RAD))
        front = smoothstep(angle * (-1.0 / HORN_RAD))
        towards_back = back * (self.posterior - self.body)
        return self.body + towards_back + front * (self.anterior - self.body)


@dataclass(frozen=True)
class Root:
    """An attachment on the tibia: its place and its polar coordinates about the plateau centre."""

    u: float
    y: float
    angle: float
    reach: float


@dataclass(frozen=True)
class Tear:
    """What is torn; a width of 0 leaves the meniscus whole."""

    gap_centre: float
    """Arc length from the posterior attachment to the middle of the root gap."""
    gap: float
    gap_floor: float
    """Height, as a fraction of the section's, above which the gap is open (0: all of it)."""
    gap_slant: float
    scar: float
    """Width of scar or frayed tissue in and beside the gap."""
    avulsion: float
    """Radius of the avulsed bone fragment."""
    notch_angle: float
    notch_depth: float
    notch_bluntness: float
    notch_gape: float
    cleft: float
    """Width of a longitudinal cleft."""
    split: float
    """Width of a horizontal cleft."""


@dataclass(frozen=True)
class Meniscus:
    """One meniscus on its plateau."""

    compartment: Compartment
    plateau: Plateau
    tibia: Tibia
    shape: MeniscusParameters
    extrusion: Profile
    width: Profile
    height: float
    anterior: Root
    posterior: Root
    tear: Tear

    def section(self, angle: Field, rim_reach: Field) -> Wedge:
        """Return the wedge at an angle along the rim, given the reach of the rim there."""
        to_front = smoothstep((self.anterior.angle + ROOT_ARC_RAD - angle) * (1 / ROOT_ARC_RAD))
        to_back = smoothstep((angle - self.posterior.angle + ROOT_ARC_RAD) * (1 / ROOT_ARC_RAD))
        free = 1.0 - to_front - to_back
        middle = to_front * self.anterior.reach + to_back * self.posterior.reach
        outer = rim_reach + self.extrusion.at(angle)
        width = self.width.at(angle)
        half_root = 0.5 * ROOT_WIDTH_MM * (to_front + to_back)
        inner = free * maximum(outer - width, LEAST_REACH_MM) + middle - half_root
        outer = free * outer + middle + half_root
        along = (angle - self.tear.notch_angle) * (inner + 3.0) / self.tear.notch_gape
        cut = self.tear.notch_depth * bump(along * along) * (outer - inner)
        height = ROOT_HEIGHT_MM + free * (self.height - ROOT_HEIGHT_MM)
        return Wedge(outer, inner + cut, height, inner + (1 - self.tear.notch_bluntness) * cut)

    def floor(self, u: Field, y: Field, beyond_rim: Field) -> Field:
        """Height of the under-surface: the cartilage, and a sagging plane beyond the rim."""
        return self.tibia.articular_height(u, y) - self.shape.sag * positive(beyond_rim)

    def place(self, angle: Field, reach: Field, h: Field) -> tuple[Field, Field, Field]:
        """(u, y, z) of a point in the coordinates of the meniscus."""
        u, y = self.tibia.polar(self.compartment, angle, reach)
        beyond = reach - self.tibia.rim_reach(self.compartment, angle)
        return u, y, self.floor(u, y, beyond) + h

    def centre_line(self, angle: Field) -> tuple[Field, Field, Field]:
        """Return the middle of the section."""
        section = self.section(angle, self.tibia.rim_reach(self.compartment, angle))
        return self.place(angle, 0.5 * (section.outer + section.inner), 0.4 * section.height)

    def beyond_wall(self, at: Located) -> Field:
        """Distance beyond the outer wall, which bulges at its height."""
        part = (at.h - self.shape.wall_height_mm) * (1.0 / self.shape.wall_height_mm)
        return at.reach - at.section.outer + self.shape.wall_bulge_mm * part * part

    def before_tip(self, at: Located) -> Field:
        """Distance inward of the inner edge, which is rounded."""
        tip = self.shape.tip_thickness_mm
        part = (at.h - 0.5 * tip) * (2.0 / tip)
        return at.section.inner + TIP_BULGE_MM * unit_clip(part * part) - at.reach

    def locate(self, u: Field, y: Field, z: Field) -> Located:
        """Return points in the coordinates of the meniscus, with the section at their angle."""
        p, q = self.plateau.local(u, y)
        angle = np.arctan2(q, p)
        reach = (p * p + q * q + ROUND_OFF) ** 0.5
        beyond = self.tibia.beyond_rim(self.plateau, p, q)
        h = z - self.floor(u, y, beyond)
        return Located(angle, reach, beyond, h, self.section(angle, reach - beyond))

    def beyond_rim(self, u: Field, y: Field) -> Field:
        """Distance beyond the rim, away from the centre of the plateau."""
        return self.tibia.beyond_rim(self.plateau, *self.plateau.local(u, y))

    def distance(self, at: Located, room: Field) -> Field:
        """Distance from the meniscus; `room` is the distance from the femoral cartilage."""
        h, angle, section, shape = at.h, at.angle, at.section, self.shape
        tip = shape.tip_thickness_mm
        across = (at.reach - section.rises_from) / (section.outer - section.rises_from)
        t = minimum(positive(across), 1.3)
        thickness = tip + (section.height - tip) * t * (1.0 + shape.hollow * (t - 1.0))
        body = smooth_max(self.beyond_wall(at), maximum(h - thickness, -h), WALL_FILLET_MM)
        kept = tip + (shape.wall_height_mm + WALL_CLEARANCE_MM - tip) * t
        body = maximum(body, minimum(0.05 - room, h - kept))
        ends = maximum(angle - self.posterior.angle, self.anterior.angle - angle)
        body = maximum(body, ends * 0.5 * (section.outer + section.inner))
        return maximum(body, self.before_tip(at))


def build_meniscus(parameters: KneeParameters, tibia: Tibia, compartment: Compartment) -> Meniscus:
    """One meniscus of a knee.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.tibia import build_tibia
    >>> parameters = KneeParameters()
    >>> round(build_meniscus(parameters, build_tibia(parameters), Compartment.MEDIAL).height, 1)
    6.0
    """
    shape = parameters.meniscus(compartment)
    return Meniscus(
        compartment=compartment,
        plateau=tibia.plateau(compartment),
        tibia=tibia,
        shape=shape,
        extrusion=Profile(
            shape.anterior_extrusion_mm, shape.body_extrusion_mm, shape.posterior_extrusion_mm
        ),
        width=Profile(shape.anterior_width_mm, shape.body_width_mm, shape.posterior_width_mm),
        height=max(shape.height_mm, shape.wall_height_mm + WALL_CLEARANCE_MM),
        anterior=_root(tibia, compartment, "anterior"),
        posterior=_root(tibia, compartment, "posterior"),
        tear=_tear(parameters.tear(compartment)),
    )


def _root(tibia: Tibia, compartment: Compartment, end: str) -> Root:
    offset_u, offset_y = ROOT_OFFSETS_MM[compartment, end]
    u = (FOOTPRINT_U[compartment] + offset_u) * tibia.scale
    y = (FOOTPRINT_Y[compartment] + offset_y) * tibia.scale
    plateau = tibia.plateau(compartment)
    p, q = (u - plateau.centre_u) * plateau.outward, y - plateau.centre_y
    return Root(u, y, math.atan2(q, p), math.hypot(p, q))


def _tear(tear: TearParameters) -> Tear:
    torn = tear.root is not RootTear.NONE
    open_gap = tear.root_gap_mm * (1.0 - tear.root_healed) if torn else 0.0
    distance = 0.0 if tear.root is RootTear.AVULSION else tear.root_distance_mm
    radial = tear.body is BodyTear.RADIAL
    lengthwise = tear.body is BodyTear.LONGITUDINAL or tear.root is RootTear.BUCKET_HANDLE
    return Tear(
        gap_centre=distance + 0.5 * tear.root_gap_mm,
        gap=open_gap,
        gap_floor=0.45 if tear.root is RootTear.PARTIAL else 0.0,
        gap_slant=0.8 if tear.root is RootTear.COMPLEX else 0.1,
        scar=tear.root_gap_mm + 2.0 if torn else 0.0,
        avulsion=3.5 if tear.root is RootTear.AVULSION else 0.0,
        notch_angle=math.radians(tear.body_angle_deg),
        notch_depth=tear.body_depth if radial else 0.0,
        notch_bluntness=tear.body_bluntness,
        notch_gape=tear.body_gape_mm,
        cleft=0.6 * tear.body_gape_mm if lengthwise else 0.0,
        split=0.6 * tear.body_gape_mm if tear.body is BodyTear.HORIZONTAL else 0.0,
    )

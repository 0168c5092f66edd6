"""The proximal tibia: plateaus with spines, rim, flare into the shaft, cartilage.

Coordinates of all anatomy modules are those of a right knee in LPS, in mm: `u` towards medial,
`y` backwards, `z` upwards, with the origin in the middle of the plateau. A left knee is its mirror
image. Sizes in the text are those of a plateau 73.4 mm wide and grow with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters, TibiaParameters
from meniscal_measure.workshop.knees.shapes import (
    Field,
    Oval,
    bump,
    cosine,
    maximum,
    rounded_corner,
    sine,
    smooth_min,
    smoothstep,
)
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

MEAN_PLATEAU_WIDTH_MM = 73.4
MEAN_WIDTH_OVER_DEPTH = 1.58
"""Plateau for which the proportions below are written."""

RIM_TURN_DEG = 45.0
"""Where in the turn from horizontal to vertical cortex the rim is placed: half way."""

_INSET = 1.0 - math.cos(math.radians(RIM_TURN_DEG))
FLARE_START_MM = 4.0
"""Depth below the plateau where the side wall begins to narrow; deeper than any rim radius."""
FLARE_LENGTH_MM = 52.0
"""Depth over which the metaphysis narrows into the shaft."""

EMINENCE_SHARE = 0.65
"""Height of the broad rise under the spines as a share of the lower spine."""

MEDIAL_SPINE_U, LATERAL_SPINE_U, SPINES_Y = 3.8, -3.6, 1.5
"""Where the spines stand; the root footprints are given from here."""


@dataclass(frozen=True)
class Spine:
    """One tibial spine: a ridge of compact support on the plateau."""

    u: Field
    y: Field
    height: Field
    half_width: Field
    half_length: Field

    def rise(self, u: Field, y: Field) -> Field:
        """Height added to the plateau."""
        across, along = (u - self.u) * (1 / self.half_width), (y - self.y) * (1 / self.half_length)
        return self.height * bump(across * across + along * along)


@dataclass(frozen=True)
class Plateau:
    """One tibial plateau: its outline about a centre, its slope and its dish."""

    outward: float
    """+1 medial, -1 lateral: sign of u that points to the rim."""
    centre_u: Field
    centre_y: Field
    outline: Oval
    slope: Field
    """Fall per mm backwards."""
    depth: Field
    """How far the middle of the dish lies below the rim."""
    fall_off: Field
    """Further fall towards the front and back edge (the lateral plateau is convex there)."""
    cartilage: Field
    spine_base_u: Field
    """Where the articular surface turns up into the spine."""
    osteophyte: Field

    def local(self, u: Field, y: Field) -> tuple[Field, Field]:
        """Offset from the centre: outward and backwards."""
        return (u - self.centre_u) * self.outward, y - self.centre_y

    def height(self, u: Field, y: Field) -> Field:
        """Height of the plateau without spines and rounding."""
        p, q = self.local(u, y)
        p = maximum(p * (1.0 / self.outline.p_positive), p * (-1.0 / self.outline.p_negative))
        q = maximum(q * (1.0 / self.outline.q_positive), q * (-1.0 / self.outline.q_negative))
        q = q * q
        return -self.slope * y - self.depth * bump(p * p + q) - self.fall_off * q

    def flared(self, u: Field, y: Field, flare: Field) -> Field:
        """Distance beyond the outline, which narrows and moves inward as `flare` goes to 1."""
        p = (u - self.centre_u * (1.0 - 0.84 * flare)) * self.outward
        q = y - self.centre_y + 8.0 * flare
        return self.outline.beyond(p, q) + flare * 4.5


@dataclass(frozen=True)
class Tibia:
    """The proximal tibia."""

    medial: Plateau
    lateral: Plateau
    bridge: Oval
    spines: tuple[Spine, Spine]
    eminence: Spine
    """The broad rise that carries the spines."""
    tilt: Field
    """Rise per mm of u: the coronal slope."""
    rim_radius: Field
    scale: Field
    cortex: Field
    flare_length: Field

    def plateau(self, compartment: Compartment) -> Plateau:
        """Give the plateau of one compartment."""
        return self.medial if compartment is Compartment.MEDIAL else self.lateral

    def medial_share(self, u: Field) -> Field:
        """Weight of the medial plateau: 1 medially, 0 laterally, a smooth change between."""
        return smoothstep((u + 6.0) * (1.0 / 12.0))

    def height(self, u: Field, y: Field) -> Field:
        """Height of the bony plateau, its spines included and its rim not rounded."""
        share = self.medial_share(u)
        lateral = self.lateral.height(u, y)
        top = lateral + share * (self.medial.height(u, y) - lateral) + self.tilt * u
        spines = self.spines[0].rise(u, y) + self.spines[1].rise(u, y)
        return top + spines + self.eminence.rise(u, y)

    def cartilage_thickness(self, u: Field, y: Field) -> Field:
        """Thickness of the cartilage on the plateau, zero at the rim and at the spines."""
        thickness: Field = 0.0
        for plateau in (self.medial, self.lateral):
            p, q = plateau.local(u, y)
            inside = smoothstep((plateau.outline.beyond(p, q) + 1.0) * (-1.0 / 6.0))
            clear = (u - plateau.spine_base_u) * plateau.outward
            thickness = thickness + plateau.cartilage * inside * smoothstep((clear + 3.0) * 0.2)
        return thickness

    def articular_height(self, u: Field, y: Field) -> Field:
        """Height of the cartilage surface."""
        return self.height(u, y) + self.cartilage_thickness(u, y)

    def edge(self, u: Field, y: Field, flare: Field) -> Field:
        """Distance beyond the side wall at the level where the flare has come to `flare`."""
        sides = smooth_min(
            self.medial.flared(u, y, flare), self.lateral.flared(u, y, flare), 6.0 * self.scale
        )
        middle = self.bridge.beyond(u, y + (1.5 + 7.0 * flare) * self.scale)
        return smooth_min(sides, middle, 5.0 * self.scale)

    def lip(self, u: Field, below: Field) -> Field:
        """How far osteophytes stand out; zero at the level of the rim."""
        reach = (below - 4.5) * (1.0 / 3.5)
        share = self.medial_share(u)
        size = self.lateral.osteophyte + share * (self.medial.osteophyte - self.lateral.osteophyte)
        return size * bump(reach * reach)

    def tuberosity(self, u: Field, y: Field, below: Field) -> Field:
        """How far the tuberosity stands out in front."""
        p = (u * (1.0 / self.scale) + 4.0) * (1.0 / 13.0)
        r = (below * (1.0 / self.scale) - 36.0) * (1.0 / 17.0)
        front = smoothstep(-0.1 * y * (1.0 / self.scale))
        return 5.5 * self.scale * front * bump(p * p + r * r)

    @property
    def box(self) -> Box:
        """Box around the tibia as far down as it goes."""
        s = self.scale
        return (-46.0 * s, 46.0 * s), (-36.0 * s, 34.0 * s), (-math.inf, 20.0 * s)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Cartilage, cortical bone and marrow."""
        top = self.height(u, y)
        below = top - z
        flare = smoothstep((below - FLARE_START_MM) * (1.0 / self.flare_length))
        edge = self.edge(u, y, flare) - self.lip(u, below) - self.tuberosity(u, y, below)
        bone = rounded_corner(edge, -below, self.rim_radius)
        thickness = self.cartilage_thickness(u, y)
        cartilage = maximum(-below - thickness, maximum(edge, 0.3 - thickness))
        yield Tissue.CARTILAGE, Depth.CARTILAGE, cartilage
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + self.cortex * (1.0 + 2.5 * flare * flare)

    def rim(self, compartment: Compartment, angle: Field) -> tuple[Field, Field, Field]:
        """Give the rim: where the plateau has turned half way into the side wall.

        Parameters
        ----------
        compartment
            Medial or lateral.
        angle
            Direction from the centre of the plateau in radians: 0 outward, positive backwards.
        """
        u, y = self.polar(compartment, angle, self.rim_reach(compartment, angle))
        return u, y, self.height(u, y) - self.rim_radius * _INSET

    def rim_reach(self, compartment: Compartment, angle: Field) -> Field:
        """Distance of the rim from the centre of the plateau."""
        outline = self.plateau(compartment).outline
        return outline.reach(cosine(angle), sine(angle)) - self.rim_radius * _INSET

    def beyond_rim(self, plateau: Plateau, p: Field, q: Field) -> Field:
        """Distance beyond the rim of points given outward and backwards from a plateau's centre."""
        return plateau.outline.beyond(p, q) + self.rim_radius * _INSET

    def polar(self, compartment: Compartment, angle: Field, reach: Field) -> tuple[Field, Field]:
        """(u, y) of a point given by direction and distance from the centre of a plateau."""
        plateau = self.plateau(compartment)
        u = plateau.centre_u + plateau.outward * reach * cosine(angle)
        return u, plateau.centre_y + reach * sine(angle)


def build_tibia(parameters: KneeParameters) -> Tibia:
    """Give the tibia of one knee."""
    shape = parameters.tibia
    scale = shape.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    deeper = scale * MEAN_WIDTH_OVER_DEPTH / shape.width_over_depth
    spines, eminence = _spines(shape, scale, deeper)
    return Tibia(
        medial=_medial_plateau(parameters, scale, deeper),
        lateral=_lateral_plateau(parameters, scale, deeper),
        bridge=Oval(14.0 * scale, 14.0 * scale, 16.0 * deeper, 22.0 * deeper),
        spines=spines,
        eminence=eminence,
        tilt=-math.tan(math.radians(shape.coronal_slope_deg)),
        rim_radius=shape.rim_radius_mm,
        scale=scale,
        cortex=0.8,
        flare_length=FLARE_LENGTH_MM * scale * shape.flare,
    )


def _medial_plateau(parameters: KneeParameters, scale: float, deeper: float) -> Plateau:
    shape, cartilage = parameters.tibia, parameters.cartilage
    return Plateau(
        outward=1.0,
        centre_u=20.2 * scale,
        centre_y=0.6 * deeper,
        outline=Oval(
            16.5 * scale, 19.0 * scale, 23.0 * deeper, 22.5 * deeper, shape.outline_fullness
        ),
        slope=math.tan(math.radians(shape.medial_slope_deg)),
        depth=shape.medial_depth_mm,
        fall_off=0.0,
        cartilage=cartilage.tibial_medial_mm * (1.0 - 0.9 * cartilage.medial_loss),
        spine_base_u=6.4 * scale,
        osteophyte=parameters.joint.medial_tibial_osteophyte_mm,
    )


def _lateral_plateau(parameters: KneeParameters, scale: float, deeper: float) -> Plateau:
    shape, cartilage = parameters.tibia, parameters.cartilage
    return Plateau(
        outward=-1.0,
        centre_u=-20.0 * scale,
        centre_y=-0.8 * deeper,
        outline=Oval(
            16.7 * scale, 19.0 * scale, 20.0 * deeper, 20.5 * deeper, shape.outline_fullness
        ),
        slope=math.tan(math.radians(shape.lateral_slope_deg)),
        depth=shape.lateral_depth_mm,
        fall_off=0.8,
        cartilage=cartilage.tibial_lateral_mm * (1.0 - 0.9 * cartilage.lateral_loss),
        spine_base_u=-4.7 * scale,
        osteophyte=parameters.joint.lateral_tibial_osteophyte_mm,
    )


def _spines(
    shape: TibiaParameters, scale: float, deeper: float
) -> tuple[tuple[Spine, Spine], Spine]:
    """Give the two spines and the broad rise under them, which adds to their height."""
    rise = EMINENCE_SHARE * min(shape.medial_spine_mm, shape.lateral_spine_mm)
    medial = Spine(
        u=MEDIAL_SPINE_U * scale,
        y=SPINES_Y * deeper,
        height=shape.medial_spine_mm - rise,
        half_width=5.5 * scale,
        half_length=12.0 * deeper,
    )
    lateral = Spine(
        u=LATERAL_SPINE_U * scale,
        y=(SPINES_Y + 1.0) * deeper,
        height=shape.lateral_spine_mm - 0.9 * rise,
        half_width=4.8 * scale,
        half_length=9.0 * deeper,
    )
    eminence = Spine(0.2 * scale, SPINES_Y * deeper, rise, 17.0 * scale, 24.0 * deeper)
    return (medial, lateral), eminence

"""The proximal tibia: plateaus with spines, rim, flare into the shaft, cartilage.

Coordinates of all anatomy modules are those of a right knee in LPS, in mm: `u` towards medial,
`y` backwards, `z` upwards, with the origin in the middle of the plateau. A left knee is its mirror
image. Sizes in the text are those of a plateau 73.4 mm wide and grow with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters, TibiaParameters
from meniscal_measure.workshop.knees.signed_distance import (
    Field,
    Oval,
    bump,
    maximum,
    negative,
    positive,
    rounded_corner,
    smooth_min,
    smoothstep,
    unit_clip,
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
LEAN_START_MM, LEAN_END_MM = 1.0, 15.0
"""Depths below the plateau between which the side wall leans; deeper than any rim lies."""
FLARE_LENGTH_MM = 52.0
"""Depth over which the metaphysis narrows into the shaft."""

SPINES_Y = 1.6
"""Where the apex of the medial spine of the average knee lies."""

LATERAL_RIDGE_MM = 5.0
"""Height of the ridge of the lateral spine of the average knee."""

APEX_ASIDE_MM, APEX_SEARCH_MM = 3.0, 8.0
APEX_ZOOMS = 8
"""How far around its ridge the apex of a spine is looked for, on a raster made finer so often."""

FOOTPRINT_U = {Compartment.MEDIAL: 6.5, Compartment.LATERAL: -5.0}
FOOTPRINT_Y = {Compartment.MEDIAL: 0.9, Compartment.LATERAL: 3.0}
"""Apices of the average knee, from which the root footprints are given."""


@dataclass(frozen=True)
class Spine:
    """A ridge of compact support on the plateau, running from front to back."""

    u: float
    y: float
    height: float
    medial: float
    """Half width towards medial."""
    lateral: float
    front: float
    """Length in front of y."""
    back: float
    """Length behind y."""
    slant: float = 0.0
    """Run of the ridge in u per mm in front of `turn_y`."""
    turn_y: float = 0.0

    def rise(self, u: Field, y: Field) -> Field:
        """Height added to the plateau."""
        across = u - self.u - self.slant * negative(y - self.turn_y)
        across = positive(across) * (1.0 / self.medial) + negative(across) * (1.0 / self.lateral)
        along = y - self.y
        along = positive(along) * (1.0 / self.back) + negative(along) * (1.0 / self.front)
        return self.height * bump(across * across) * bump(along * along)


@dataclass(frozen=True)
class Plateau:
    """One tibial plateau: its outline about a centre, its slope and its dish."""

    outward: float
    """+1 medial, -1 lateral: sign of u that points to the rim."""
    centre_u: float
    centre_y: float
    outline: Oval
    slope: float
    """Fall per mm backwards."""
    lean: float
    """Run of the side wall inward per mm downwards, at the apex of the spine."""
    lean_back: float
    """Change of that run per mm backwards."""
    depth: float
    """How far the middle of the dish lies below the rim."""
    fall_off: float
    """Further fall towards the front and back edge (the lateral plateau is convex there)."""
    tilt: float
    """Rise per mm outward from the centre, beside the coronal slope of the whole plateau."""
    twist: float
    """Fall per mm outward and mm backwards."""
    roll: float
    """Fall per mm outward and squared mm in front of or behind the middle."""
    cartilage: float
    spine_base_u: float
    """Where the articular surface ends on the slope of the spine."""
    cartilage_base_u: float
    """Where the cartilage begins to thin out towards the spine."""
    osteophyte: float

    def local(self, u: Field, y: Field) -> tuple[Field, Field]:
        """Offset from the centre: outward and backwards."""
        return (u - self.centre_u) * self.outward, y - self.centre_y

    def height(self, u: Field, y: Field) -> Field:
        """Height of the plateau without spines and rounding."""
        p, q = self.local(u, y)
        turned = p * (self.tilt - q * (self.twist + self.roll * q))
        p = maximum(p * (1.0 / self.outline.p_positive), p * (-1.0 / self.outline.p_negative))
        q = maximum(q * (1.0 / self.outline.q_positive), q * (-1.0 / self.outline.q_negative))
        q = q * q
        return -self.slope * y - self.depth * bump(p * p + q) - self.fall_off * q + turned

    def flared(self, u: Field, y: Field, flare: Field) -> Field:
        """Distance beyond the outline, which narrows and moves inward as `flare` goes to 1."""
        p = (u - self.centre_u * (1.0 - 0.84 * flare)) * self.outward
        q = y - self.centre_y + 8.0 * flare
        return self.outline.beyond(p, q) + flare * 4.5

    def leaning(self, y: Field) -> Field:
        """Run of the side wall inward per mm downwards."""
        return self.lean + self.lean_back * y


@dataclass(frozen=True)
class Tibia:
    """The proximal tibia."""

    medial: Plateau
    lateral: Plateau
    bridge: Oval
    spines: tuple[Spine, Spine]
    """Ridges of the medial and of the lateral spine."""
    eminence: tuple[Spine, ...]
    """The broad rise that carries the spines, and what the lateral one has above its ridge."""
    tilt: float
    """Rise per mm of u: the coronal slope."""
    rim_radius: float
    scale: float
    cortex: float
    flare_length: float

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
        for spine in (*self.spines, *self.eminence):
            top = top + spine.rise(u, y)
        return top

    def height_at(self, u: float, y: float) -> float:
        """Height of the bony plateau at one place."""
        return float(self.height(np.array([u]), np.array([y]))[0])

    def cartilage_thickness(self, u: Field, y: Field) -> Field:
        """Thickness of the cartilage on the plateau, zero at the rim and at the spines."""
        medial, lateral = (self._covered(each, u, y) for each in (self.medial, self.lateral))
        return medial + lateral

    def _covered(self, plateau: Plateau, u: Field, y: Field) -> Field:
        """Thickness of the cartilage of one plateau."""
        p, q = plateau.local(u, y)
        inside = unit_clip((plateau.outline.beyond(p, q) - 0.2) * -0.1)
        inside = inside * (2.0 - inside)
        clear = (u - plateau.cartilage_base_u) * plateau.outward
        return plateau.cartilage * inside * smoothstep((clear + 3.0) * 0.2)

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

    def wall_lean(self, u: Field, y: Field, below: Field) -> Field:
        """How far the side wall has come inward, none of it at the level of the rim."""
        deep = positive(below - LEAN_START_MM) - positive(below - LEAN_END_MM)
        share = self.medial_share(u)
        lateral = self.lateral.leaning(y)
        lean = lateral + share * (self.medial.leaning(y) - lateral)
        return lean * deep * deep / (deep + 1.0)

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
        edge = self.edge(u, y, flare) + self.wall_lean(u, y, below)
        edge = edge - self.lip(u, below) - self.tuberosity(u, y, below)
        bone = rounded_corner(edge, -below, self.rim_radius)
        thickness = self.cartilage_thickness(u, y)
        cartilage = maximum(-below - thickness, maximum(edge, 0.3 - thickness))
        yield Tissue.CARTILAGE, Depth.CARTILAGE, cartilage
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + self.cortex * (1.0 + 2.5 * flare * flare)

    def apex(self, compartment: Compartment) -> tuple[float, float]:
        """Find the highest point of a spine, (u, y) to better than 1 um."""
        ridge = self.spines[0] if compartment is Compartment.MEDIAL else self.spines[1]
        best_u, best_y = float(ridge.u), float(self.eminence[0].y)
        reach_u, reach_y = APEX_ASIDE_MM, APEX_SEARCH_MM
        steps = np.linspace(-1.0, 1.0, 9)
        for _ in range(APEX_ZOOMS):
            u, y = np.meshgrid(best_u + reach_u * steps, best_y + reach_y * steps)
            highest = np.unravel_index(np.argmax(self.height(u, y)), u.shape)
            best_u, best_y = float(u[highest]), float(y[highest])
            reach_u, reach_y = reach_u / 6.0, reach_y / 6.0
        return best_u, best_y

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
        return outline.reach(np.cos(angle), np.sin(angle)) - self.rim_radius * _INSET

    def beyond_rim(self, plateau: Plateau, p: Field, q: Field) -> Field:
        """Distance beyond the rim of points given outward and backwards from a plateau's centre."""
        return plateau.outline.beyond(p, q) + self.rim_radius * _INSET

    def polar(self, compartment: Compartment, angle: Field, reach: Field) -> tuple[Field, Field]:
        """(u, y) of a point given by direction and distance from the centre of a plateau."""
        plateau = self.plateau(compartment)
        u = plateau.centre_u + plateau.outward * reach * np.cos(angle)
        return u, plateau.centre_y + reach * np.sin(angle)


def build_tibia(parameters: KneeParameters) -> Tibia:
    """Give the tibia of one knee."""
    shape = parameters.tibia
    scale = shape.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    deeper = scale * MEAN_WIDTH_OVER_DEPTH / shape.width_over_depth
    spines, eminence = _spines(shape, scale, deeper)
    return Tibia(
        medial=_medial_plateau(parameters, scale, deeper),
        lateral=_lateral_plateau(parameters, scale, deeper),
        bridge=Oval(14.0 * scale, 14.0 * scale, 20.0 * deeper, 23.5 * deeper),
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
        lean=math.tan(math.radians(shape.medial_wall_deg)),
        lean_back=0.0015,
        depth=shape.medial_depth_mm,
        fall_off=0.0,
        tilt=math.tan(math.radians(shape.medial_tilt_deg)),
        twist=0.0,
        roll=0.0004,
        cartilage=cartilage.tibial_medial_mm * (1.0 - 0.9 * cartilage.medial_loss),
        spine_base_u=6.4 * scale,
        cartilage_base_u=13.0 * scale,
        osteophyte=parameters.joint.medial_tibial_osteophyte_mm,
    )


def _lateral_plateau(parameters: KneeParameters, scale: float, deeper: float) -> Plateau:
    shape, cartilage = parameters.tibia, parameters.cartilage
    return Plateau(
        outward=-1.0,
        centre_u=-20.0 * scale,
        centre_y=-0.8 * deeper,
        outline=Oval(
            16.7 * scale, 19.0 * scale, 19.4 * deeper, 20.0 * deeper, shape.outline_fullness
        ),
        slope=math.tan(math.radians(shape.lateral_slope_deg)),
        lean=math.tan(math.radians(shape.lateral_wall_deg)),
        lean_back=0.008,
        depth=shape.lateral_depth_mm,
        fall_off=0.8,
        tilt=math.tan(math.radians(shape.lateral_tilt_deg)),
        twist=0.001,
        roll=-0.0002,
        cartilage=cartilage.tibial_lateral_mm * (1.0 - 0.9 * cartilage.lateral_loss),
        spine_base_u=-4.7 * scale,
        cartilage_base_u=-12.5 * scale,
        osteophyte=parameters.joint.lateral_tibial_osteophyte_mm,
    )


def _spines(
    shape: TibiaParameters, scale: float, deeper: float
) -> tuple[tuple[Spine, Spine], tuple[Spine, ...]]:
    """Give the ridges of both spines and the rise that carries them.

    The medial ridge runs to the front and the lateral one to the back, so that only where they
    pass the rise does each have its apex: the heights by place of 44 real knees (see
    `workshop.morphometry`) less those of the valley between them.
    """
    y = SPINES_Y * deeper + shape.spine_shift_mm
    apart = 0.5 * shape.spine_separation_mm
    lift_medial, lift_lateral = _lifts(shape, scale)
    rise = 0.54 * shape.medial_spine_mm + shape.spine_valley_mm
    rise = rise + 0.5 * (lift_medial + lift_lateral)
    ridge = LATERAL_RIDGE_MM * scale + lift_lateral - 0.375 * (lift_medial + lift_lateral)
    broad = shape.spine_breadth * scale
    medial = Spine(
        u=0.75 * scale + apart,
        y=y - 2.5 * deeper,
        height=shape.medial_spine_mm + lift_medial - 0.75 * rise,
        medial=8.6 * broad,
        lateral=5.6 * scale,
        front=20.0 * deeper,
        back=19.0 * deeper,
    )
    lateral = Spine(
        u=0.75 * scale - apart,
        y=y + 5.0 * deeper,
        height=ridge,
        medial=5.4 * scale,
        lateral=9.4 * broad,
        front=24.0 * deeper,
        back=48.0 * deeper,
        slant=0.45,
        turn_y=y - 2.0 * deeper,
    )
    eminence = Spine(
        u=0.0,
        y=y + 1.0 * deeper,
        height=rise,
        medial=17.4 * broad,
        lateral=18.8 * broad,
        front=11.3 * deeper,
        back=11.0 * deeper,
    )
    above = shape.lateral_spine_mm + lift_lateral - 0.75 * rise - ridge
    tip_y = y - 0.8 * deeper + shape.lateral_spine_shift_mm
    narrow = 6.0 * scale
    tip = Spine(lateral.u, tip_y, above, narrow, narrow, 12.0 * deeper, 10.0 * deeper)
    return (medial, lateral), (eminence, tip)


def _lifts(shape: TibiaParameters, scale: float) -> tuple[float, float]:
    """How much the spines must rise so that tilted plateaus leave them as high over the rim line.

    The rims lie 16.6 mm outward of the centres of the plateaus and the spines 14.5 mm inward; the
    rim line under a spine follows its own side by 0.58 and the other by 0.42.
    """
    medial, lateral = (
        scale * math.tan(math.radians(tilt))
        for tilt in (shape.medial_tilt_deg, shape.lateral_tilt_deg)
    )
    own, other = 0.58 * 16.6 + 14.5, 0.42 * 16.6
    return own * medial + other * lateral, own * lateral + other * medial

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
from meniscal_measure.workshop.knees.growth_plate import growth_plate_scar
from meniscal_measure.workshop.knees.layers import Box, Painted
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import (
    Field,
    Oval,
    bump,
    maximum,
    positive,
    rounded_corner,
    smooth_min,
    smoothstep,
)
from meniscal_measure.workshop.knees.spines import Spine, build_spines
from meniscal_measure.workshop.knees.tibial_plateau import Plateau, build_plateau
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

MEAN_PLATEAU_WIDTH_MM = 73.4
MEAN_WIDTH_OVER_DEPTH = 1.58
"""Plateau for which the proportions below are written."""

RIM_TURN_DEG = 45.0
"""Angle in the turn from horizontal to vertical cortex at which the rim is placed: half way."""

_INSET = 1.0 - math.cos(math.radians(RIM_TURN_DEG))
FLARE_START_MM = 4.0
"""Depth below the plateau where the side wall begins to narrow; deeper than any rim radius."""
LEAN_START_MM, LEAN_END_MM = 1.0, 15.0
"""Depths below the plateau between which the side wall leans; deeper than any rim lies."""
FLARE_LENGTH_MM = 52.0
"""Depth over which the metaphysis narrows into the shaft."""

CORTEX_MM = 0.8
"""Thickness of the cortex near the joint; a free parameter of the phantom."""

GROWTH_PLATE_MM = 15.0
"""Depth of the scar of the growth plate below the middle of the plateau (by eye on public images;
common practice, no source)."""

APEX_ASIDE_MM, APEX_SEARCH_MM = 3.0, 8.0
APEX_ZOOMS = 8
"""Range around its ridge in which the apex of a spine is searched, and number of refinements of the
search raster."""


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
    flare_length: float
    growth_plate: float
    """Thickness of its scar; 0 for none."""

    def plateau(self, compartment: Compartment) -> Plateau:
        """Return the plateau of one compartment.

        Examples
        --------
        >>> build_tibia(KneeParameters()).plateau(Compartment.LATERAL).outward
        -1.0
        """
        return self.medial if compartment is Compartment.MEDIAL else self.lateral

    def medial_share(self, u: Field) -> Field:
        """Weight of the medial plateau: 1 medially, 0 laterally, a smooth change between.

        Examples
        --------
        >>> build_tibia(KneeParameters()).medial_share(np.array([-20.0, 0.0, 20.0])).tolist()
        [0.0, 0.5, 1.0]
        """
        return smoothstep((u + 6.0) * (1.0 / 12.0))

    def height(self, u: Field, y: Field) -> Field:
        """Height of the bony plateau, its spines included and its rim not rounded.

        Examples
        --------
        >>> tibia = build_tibia(KneeParameters())
        >>> tibia.height(np.array([6.5, 20.0]), np.array([0.9, 0.0])).round(1).tolist()
        [9.5, -2.1]
        """
        share = self.medial_share(u)
        lateral = self.lateral.height(u, y)
        top = lateral + share * (self.medial.height(u, y) - lateral) + self.tilt * u
        for spine in (*self.spines, *self.eminence):
            top = top + spine.rise(u, y)
        return top

    def height_at(self, u: float, y: float) -> float:
        """Height of the bony plateau at one place.

        Examples
        --------
        >>> tibia = build_tibia(KneeParameters())
        >>> tibia.height_at(*tibia.apex(Compartment.MEDIAL)) > tibia.height_at(20.0, 0.0)
        True
        """
        return float(self.height(np.array([u]), np.array([y]))[0])

    def cartilage_thickness(self, u: Field, y: Field) -> Field:
        """Thickness of the cartilage on the plateau, zero at the rim and at the spines."""
        return self.medial.cartilage_thickness(u, y) + self.lateral.cartilage_thickness(u, y)

    def articular_height(self, u: Field, y: Field) -> Field:
        """Height of the cartilage surface.

        Examples
        --------
        >>> tibia = build_tibia(KneeParameters())
        >>> tibia.articular_height(np.array([20.0]), np.zeros(1)).round(1).tolist()
        [-0.1]
        """
        return self.height(u, y) + self.cartilage_thickness(u, y)

    def edge(self, u: Field, y: Field, flare: Field) -> Field:
        """Distance beyond the side wall at the level where the flare has come to `flare`."""
        sides = smooth_min(
            self.medial.flared(u, y, flare), self.lateral.flared(u, y, flare), 6.0 * self.scale
        )
        middle = self.bridge.beyond(u, y + (1.5 + 7.0 * flare) * self.scale)
        return smooth_min(sides, middle, 5.0 * self.scale)

    def wall_lean(self, u: Field, y: Field, below: Field) -> Field:
        """How far the side wall has moved inward; zero at the level of the rim."""
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

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[Painted]:
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
        marrow = bone + CORTEX_MM * (1.0 + 2.5 * flare * flare)
        yield Tissue.MARROW, Depth.MARROW, marrow
        if self.growth_plate > 0:
            level = z + GROWTH_PLATE_MM * self.scale
            yield growth_plate_scar(level, (u, y), marrow, thickness=self.growth_plate)

    def apex(self, compartment: Compartment) -> tuple[float, float]:
        """Find the highest point of a spine, (u, y) to better than 1 um.

        Examples
        --------
        >>> u, y = build_tibia(KneeParameters()).apex(Compartment.MEDIAL)
        >>> round(u, 1), round(y, 1)
        (6.5, 0.9)
        """
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
        """Return the rim: where the plateau has turned half way into the side wall.

        `angle` is the direction from the centre of the plateau in radians: 0 outward, positive
        backwards.

        Examples
        --------
        >>> u, y, z = build_tibia(KneeParameters()).rim(Compartment.LATERAL, np.zeros(1))
        >>> u.round(1).tolist(), y.round(1).tolist(), z.round(1).tolist()
        ([-36.2], [-0.8], [0.5])
        """
        u, y = self.polar(compartment, angle, self.rim_reach(compartment, angle))
        return u, y, self.height(u, y) - self.rim_radius * _INSET

    def rim_reach(self, compartment: Compartment, angle: Field) -> Field:
        """Distance of the rim from the centre of the plateau.

        Examples
        --------
        >>> tibia = build_tibia(KneeParameters())
        >>> tibia.rim_reach(Compartment.MEDIAL, np.zeros(1)).round(2).tolist()
        [15.97]
        """
        outline = self.plateau(compartment).outline
        return outline.reach(np.cos(angle), np.sin(angle)) - self.rim_radius * _INSET

    def beyond_rim(self, plateau: Plateau, p: Field, q: Field) -> Field:
        """Distance beyond the rim of points given outward and backwards from a plateau's centre."""
        return plateau.outline.beyond(p, q) + self.rim_radius * _INSET

    def polar(self, compartment: Compartment, angle: Field, reach: Field) -> tuple[Field, Field]:
        """(u, y) of a point given by direction and distance from the centre of a plateau.

        Examples
        --------
        >>> u, _ = build_tibia(KneeParameters()).polar(Compartment.LATERAL, np.zeros(1), np.ones(1))
        >>> u.round(2).tolist()
        [-21.0]
        """
        plateau = self.plateau(compartment)
        u = plateau.centre_u + plateau.outward * reach * np.cos(angle)
        return u, plateau.centre_y + reach * np.sin(angle)


def build_tibia(parameters: KneeParameters) -> Tibia:
    """Build the tibia of one knee.

    Examples
    --------
    >>> build_tibia(KneeParameters()).scale
    1.0
    """
    shape = parameters.tibia
    scale = shape.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    deeper = scale * MEAN_WIDTH_OVER_DEPTH / shape.width_over_depth
    spines, eminence = build_spines(shape, scale, deeper)
    return Tibia(
        medial=build_plateau(parameters, Compartment.MEDIAL, scale, deeper),
        lateral=build_plateau(parameters, Compartment.LATERAL, scale, deeper),
        bridge=Oval(14.0 * scale, 14.0 * scale, 20.0 * deeper, 23.5 * deeper),
        spines=spines,
        eminence=eminence,
        tilt=-math.tan(math.radians(shape.coronal_slope_deg)),
        rim_radius=shape.rim_radius_mm,
        scale=scale,
        flare_length=FLARE_LENGTH_MM * scale * shape.flare,
        growth_plate=shape.growth_plate_mm,
    )

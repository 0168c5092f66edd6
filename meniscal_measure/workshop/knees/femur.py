"""The distal femur: condyles, trochlea, notch, flare into the shaft, cartilage."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.shapes import (
    Field,
    Oval,
    bump,
    maximum,
    minimum,
    positive,
    present,
    rounded_corner,
    smooth_max,
    smooth_min,
    smoothstep,
)
from meniscal_measure.workshop.knees.tibia import Plateau, Tibia
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

CONTACT_STEPS = 12
"""Steps of lowering a condyle onto its plateau; each leaves a small part of the error."""

MEAN_FEMUR_WIDTH_MM = 73.0
"""Width across the condyles of a femur as wide as its tibia, for a plateau 73.4 mm wide."""

COVER_TAPER_MM = 5.0
"""Width over which cartilage thins out towards the side of a condyle."""


@dataclass(frozen=True)
class Condyle:
    """A wheel with a crowned tread and rounded shoulders."""

    u: Field
    y: Field
    z: Field
    profile: Oval
    """Outline seen from the side, backwards and upwards from the hub."""
    crown: Field
    half_width: Field
    shoulder: Field
    cartilage: Field
    tilt: Field = 0.0
    """Rise of the tread per mm of u."""
    groove: Field = 0.0
    """Depth of a groove along the middle of the tread."""
    osteophyte: Field = 0.0
    """How far a spur stands out from both shoulders."""

    def faces(self, u: Field, y: Field, z: Field) -> tuple[Field, Field]:
        """Distances beyond the tread and beyond the sides."""
        across = u - self.u
        up = z - self.z - self.tilt * across
        tread = self.profile.beyond(y - self.y, up) + self.crown * across * across
        if present(self.groove):
            part = across * (1.0 / 13.0)
            tread = tread + self.groove * bump(part * part)
        side = abs(across) - self.half_width
        if present(self.osteophyte):
            part = (up + self.profile.q_negative - 9.0) * (1.0 / 5.0)
            side = side - self.osteophyte * bump(part * part)
        return tread, side

    def layers_at(self, u: Field, y: Field, z: Field) -> tuple[Field, Field]:
        """Distances from the bone, and from the bone thickened by its cartilage."""
        tread, side = self.faces(u, y, z)
        bone = rounded_corner(tread, side, self.shoulder)
        return bone, bone - self.cartilage * smoothstep((0.5 - side) * (1.0 / COVER_TAPER_MM))


@dataclass(frozen=True)
class Femur:
    """The distal femur; heights are counted from the line under both condyles."""

    medial: Condyle
    lateral: Condyle
    trochlea: Condyle
    scale: Field
    level: Field
    """Height of the lowest bone at u = 0."""
    tilt: Field
    valgus: Field
    """Sideways run of the shaft per mm upwards, positive to lateral."""
    lean: Field
    """Run of the shaft backwards per mm upwards."""
    half_width: Field
    notch_half_width: Field
    cortex: Field
    effusion: Field
    """Thickness of the fluid in front of the femur."""

    def condyle(self, compartment: Compartment) -> Condyle:
        """Give the condyle of one compartment."""
        return self.medial if compartment is Compartment.MEDIAL else self.lateral

    def above(self, u: Field, z: Field) -> Field:
        """Height above the line under both condyles, in units of the knee's size."""
        return (z - self.level - self.tilt * u) * (1.0 / self.scale)

    def shaft(self, u: Field, y: Field, height: Field) -> Field:
        """Distance from metaphysis and shaft."""
        s = self.scale
        narrow = smoothstep((height - 27.0) * (1.0 / 46.0))
        half_u = self.half_width + narrow * (14.5 * s - self.half_width)
        half_y = (19.0 - 4.0 * narrow) * s
        p = (u + self.valgus * (height - 30.0) * s) * (1.0 / half_u)
        back = self.lean * (height - 30.0)
        q = (y + (9.5 + 0.5 * narrow - back) * s) * (1.0 / half_y)
        p2, q2 = p * p, q * q
        norm = (((p2 + q2) * (p2 + q2) - 0.5 * p2 * q2 + 1e-6) ** 0.5) ** 0.5
        wall = (norm - 1.0) * half_y
        return rounded_corner(wall, (13.0 - height) * s, 9.0 * s)

    def notch(self, u: Field, y: Field, height: Field) -> Field:
        """Distance inside the intercondylar notch, negative in it."""
        s = self.scale
        behind = positive(y) * (1.0 / s)
        roof = 8.5 + y * (1.0 / s) + 0.06 * behind * behind
        half = self.notch_half_width
        return rounded_corner(abs(u + 0.8 * s) - half, (height - roof) * (0.7 * s), 0.85 * half)

    @property
    def box(self) -> Box:
        """Box around the femur as far up as it goes."""
        s = self.scale
        return (-50.0 * s, 50.0 * s), (-46.0 * s, 38.0 * s), (-12.0 * s, math.inf)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Effusion around the femur, cartilage, cortical bone and marrow."""
        height = self.above(u, z)
        s = self.scale
        medial, medial_covered = self.medial.layers_at(u, y, z)
        lateral, lateral_covered = self.lateral.layers_at(u, y, z)
        front, front_covered = self.trochlea.layers_at(u, y, z)
        bone = smooth_min(medial, lateral, 3.0 * s)
        bone = smooth_min(smooth_min(bone, front, 6.0 * s), self.shaft(u, y, height), 8.0 * s)
        covered = minimum(minimum(medial_covered, lateral_covered), front_covered)
        notch = -self.notch(u, y, height)
        bone = smooth_max(bone, notch, 3.0 * s)
        cartilage = maximum(maximum(covered, notch + 0.8), (height - 44.0) * s)
        flare = smoothstep((height - 30.0) * (1.0 / 45.0))
        if present(self.effusion):
            yield Tissue.FLUID, Depth.EFFUSION, self._fluid(minimum(bone, cartilage), y, height)
        yield Tissue.CARTILAGE, Depth.CARTILAGE, cartilage
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + self.cortex * (1.0 + 3.0 * flare)

    def _fluid(self, outside: Field, y: Field, height: Field) -> Field:
        """Distance from the fluid of the suprapatellar pouch and of the gutters at the sides."""
        front = smoothstep((2.0 * self.scale - y) * (1.0 / (28.0 * self.scale)))
        upper = smoothstep((66.0 - height) * 0.04) * smoothstep((height - 6.0) * 0.08)
        thickness = self.effusion * upper * (0.12 + 0.88 * front) * (0.25 + 0.75 * front)
        return maximum(outside + 0.6 - thickness, (y - 16.0 * self.scale))

    def covered_distance(self, compartment: Compartment, u: Field, y: Field, z: Field) -> Field:
        """Distance from one condyle with its cartilage."""
        return self.condyle(compartment).layers_at(u, y, z)[1]


def build_femur(parameters: KneeParameters, tibia: Tibia) -> Femur:
    """Give the femur of one knee, set down on its tibia."""
    shape, s = parameters.femur, tibia.scale
    half_width = 0.5 * MEAN_FEMUR_WIDTH_MM * s * shape.width_over_tibia
    medial, lateral = _condyles(parameters, tibia, half_width)
    low_medial, low_lateral = (_lowest(condyle) for condyle in (medial, lateral))
    tilt = (low_medial - low_lateral) / (medial.u - lateral.u)
    level = low_medial - tilt * medial.u
    return Femur(
        medial=medial,
        lateral=lateral,
        trochlea=_trochlea(s, level, cartilage=1.1 * parameters.cartilage.femoral_mm),
        scale=s,
        level=level,
        tilt=tilt,
        valgus=math.tan(math.radians(shape.valgus_deg)) + tilt,
        lean=math.tan(math.radians(shape.flexion_deg)),
        half_width=half_width,
        notch_half_width=0.5 * shape.notch_width_mm * s,
        cortex=0.8,
        effusion=parameters.joint.effusion_mm,
    )


def _condyles(
    parameters: KneeParameters, tibia: Tibia, half_width: float
) -> tuple[Condyle, Condyle]:
    """Shape both condyles and set each down on its plateau."""
    shape, cartilage, joint = parameters.femur, parameters.cartilage, parameters.joint
    s, aside = tibia.scale, half_width - 13.6 * tibia.scale
    medial = Condyle(
        u=aside,
        y=7.5 * s,
        z=21.0 * s,
        profile=Oval(23.0 * s, 34.0 * s, 21.0 * s, 21.5 * s),
        crown=shape.condyle_crown_per_mm / s,
        half_width=13.4 * s,
        shoulder=shape.condyle_shoulder_mm * s,
        cartilage=cartilage.femoral_mm * (1.0 - 0.85 * cartilage.medial_loss),
        tilt=tibia.tilt,
        osteophyte=joint.medial_femoral_osteophyte_mm,
    )
    lateral = replace(
        medial,
        u=-aside,
        y=7.0 * s,
        profile=Oval(22.0 * s, 36.0 * s, 21.0 * s, 22.5 * s),
        half_width=13.6 * s,
        cartilage=cartilage.femoral_mm * (1.0 - 0.85 * cartilage.lateral_loss),
        osteophyte=joint.lateral_femoral_osteophyte_mm,
    )
    gap_mm = cartilage.contact_gap_mm
    return (
        _set_down(medial, tibia, tibia.medial, gap_mm),
        _set_down(lateral, tibia, tibia.lateral, gap_mm),
    )


def _trochlea(s: float, level: float, *, cartilage: float) -> Condyle:
    return Condyle(
        u=-1.0 * s,
        y=-9.0 * s,
        z=level + 31.0 * s,
        profile=Oval(20.0 * s, 24.0 * s, 22.0 * s, 22.0 * s),
        crown=0.0,
        half_width=29.0 * s,
        shoulder=14.0 * s,
        cartilage=cartilage,
        groove=4.5 * s,
    )


def _lowest(condyle: Condyle) -> float:
    return float(condyle.z - condyle.profile.q_negative)


def _set_down(condyle: Condyle, tibia: Tibia, plateau: Plateau, gap_mm: float) -> Condyle:
    """Move a condyle up or down until the cartilages are `gap_mm` apart where they are closest."""
    u, y = np.meshgrid(
        np.linspace(-9, 9, 19) + condyle.u, np.linspace(-24, 22, 24) + plateau.centre_y
    )
    inside = plateau.outline.beyond(*plateau.local(u, y)) < -1.0
    u, y = u[inside], y[inside]
    z = tibia.articular_height(u, y)
    for _ in range(CONTACT_STEPS):
        nearest = float(np.min(condyle.layers_at(u, y, z)[1]))
        condyle = replace(condyle, z=float(condyle.z + gap_mm - nearest))
    return condyle

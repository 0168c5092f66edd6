"""The distal femur: condyles, trochlea, notch, flare into the shaft, cartilage."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.condyle import Condyle, Notch
from meniscal_measure.workshop.knees.growth_plate import growth_plate_scar
from meniscal_measure.workshop.knees.layers import Box, Painted
from meniscal_measure.workshop.knees.parameters import Filling, KneeParameters
from meniscal_measure.workshop.knees.signed_distance import (
    Field,
    Oval,
    maximum,
    minimum,
    positive,
    rounded_corner,
    smooth_max,
    smooth_min,
    smoothstep,
)
from meniscal_measure.workshop.knees.tibia import CORTEX_MM, Tibia
from meniscal_measure.workshop.knees.tibial_plateau import Plateau
from meniscal_measure.workshop.knees.tissue import FILLING_TISSUES, Depth, Tissue

GROWTH_PLATE_MM = 27.0
"""Height of the scar of the growth plate over the condyles (by eye on public images; common
practice, no source)."""

NOTCH_DEPTH_MM, NOTCH_FLOOR_MM = 13.0, 14.0
"""How far in front of and behind its middle, and how far below the condyles, what fills the notch
reaches."""

CONTACT_STEPS = 12
"""Steps of lowering a condyle onto its plateau; each leaves a small part of the error."""

NOTCH_RISE_MM = 0.6
"""How much higher the roof stands above the lowest line of the condyles than above the condyles'
own line on the slice through the apex of the medial spine."""


@dataclass(frozen=True)
class Femur:
    """The distal femur; heights are counted from the line under both condyles."""

    medial: Condyle
    lateral: Condyle
    trochlea: Condyle
    scale: float
    level: float
    """Height of the lowest bone at u = 0."""
    tilt: float
    valgus: float
    """Sideways run of the shaft per mm upwards, positive to lateral."""
    lean: float
    """Run of the shaft backwards per mm upwards."""
    middle: float
    """Middle of the metaphysis from side to side."""
    half_width: float
    notch: Notch
    growth_plate: float
    """Thickness of its scar; 0 for none."""
    around_cruciates: Filling
    effusion: float
    """Thickness of the fluid in front of the femur."""

    def condyle(self, compartment: Compartment) -> Condyle:
        """Return the condyle of one compartment.

        Examples
        --------
        >>> from meniscal_measure.workshop.knees.tibia import build_tibia
        >>> femur = build_femur(KneeParameters(), build_tibia(KneeParameters()))
        >>> femur.condyle(Compartment.LATERAL).u < 0 < femur.condyle(Compartment.MEDIAL).u
        True
        """
        return self.medial if compartment is Compartment.MEDIAL else self.lateral

    def above(self, u: Field, z: Field) -> Field:
        """Height above the line under both condyles, in units of the knee's size."""
        return (z - self.level - self.tilt * u) * (1.0 / self.scale)

    def shaft(self, u: Field, y: Field, height: Field) -> Field:
        """Distance from metaphysis and shaft."""
        s = self.scale
        narrow = smoothstep((height - 25.0) * (1.0 / 46.0))
        low = 1.0 - smoothstep((height - 9.0) * (1.0 / 14.0))
        half_u = self.half_width - 7.0 * s * low
        half_u = half_u + narrow * (14.5 * s - half_u)
        half_y = (19.0 - 4.0 * narrow) * s
        p = (u - self.middle + self.valgus * (height - 30.0) * s) * (1.0 / half_u)
        lean = self.lean * (height - 30.0) * s
        q = (y - lean - self.notch.outlet + (19.0 - 3.5 * narrow) * s) * (1.0 / half_y)
        p2, q2 = p * p, q * q
        norm = (((p2 + q2) * (p2 + q2) - 0.5 * p2 * q2 + 1e-6) ** 0.5) ** 0.5
        wall = (norm - 1.0) * half_y
        return rounded_corner(wall, (8.0 - height) * s, 7.0 * s)

    @property
    def box(self) -> Box:
        """Box around the femur as far up as it goes."""
        s = self.scale
        return (-50.0 * s, 50.0 * s), (-46.0 * s, 38.0 * s), (-12.0 * s, math.inf)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[Painted]:
        """Effusion around the femur, cartilage, cortical bone and marrow."""
        height = self.above(u, z)
        s = self.scale
        medial, medial_covered = self.medial.layers_at(u, y, z)
        lateral, lateral_covered = self.lateral.layers_at(u, y, z)
        front, front_covered = self.trochlea.layers_at(u, y, z)
        bone = smooth_min(medial, lateral, 3.0 * s)
        bone = smooth_min(smooth_min(bone, front, 6.0 * s), self.shaft(u, y, height), 8.0 * s)
        covered = minimum(minimum(medial_covered, lateral_covered), front_covered)
        notch = -self.notch.distance(u, y, height * s)
        bone = smooth_max(bone, notch, 6.0 * s)
        top = 44.0 * s - minimum(0.9 * positive(y), 11.0)
        cartilage = maximum(maximum(covered, notch + 0.8), height * s - top)
        flare = smoothstep((height - 30.0) * (1.0 / 45.0))
        if self.effusion > 0:
            yield Tissue.FLUID, Depth.EFFUSION, self._fluid(minimum(bone, cartilage), y, height)
        yield Tissue.CARTILAGE, Depth.CARTILAGE, cartilage
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        marrow = bone + CORTEX_MM * (1.0 + 3.0 * flare)
        yield Tissue.MARROW, Depth.MARROW, marrow
        if self.growth_plate > 0:
            level = (height - GROWTH_PLATE_MM) * s
            yield growth_plate_scar(level, (u, y), marrow, thickness=self.growth_plate)
        if self.around_cruciates is not Filling.FAT:
            within = maximum(-notch, abs(y - self.notch.y) - NOTCH_DEPTH_MM * s)
            within = maximum(within, -height * s - NOTCH_FLOOR_MM)
            yield FILLING_TISSUES[self.around_cruciates], Depth.CAPSULE, within

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
    """Build the femur of one knee, set down on its tibia.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.tibia import build_tibia
    >>> round(build_femur(KneeParameters(), build_tibia(KneeParameters())).scale, 3)
    1.0
    """
    shape, s = parameters.femur, tibia.scale
    medial, lateral = _condyles(parameters, tibia)
    low_medial, low_lateral = (
        float(condyle.z - condyle.profile.q_negative) for condyle in (medial, lateral)
    )
    tilt = (low_medial - low_lateral) / (medial.u - lateral.u)
    level = low_medial - tilt * medial.u
    ends = medial.u + medial.outer + 4.6 * s, lateral.u - lateral.outer - 3.0 * s
    apex_y = tibia.apex(Compartment.MEDIAL)[1]
    notch = Notch(
        u=-0.5 * s,
        y=apex_y,
        height=shape.notch_height_mm + NOTCH_RISE_MM,
        slope=shape.notch_slope,
        half_width=0.54 * shape.notch_width_mm,
        outlet=apex_y + shape.notch_outlet_mm,
    )
    return Femur(
        medial=medial,
        lateral=lateral,
        trochlea=_trochlea(s, level, cartilage=1.1 * parameters.cartilage.femoral_mm),
        scale=s,
        level=level,
        tilt=tilt,
        valgus=math.tan(math.radians(shape.valgus_deg)) + tilt,
        lean=math.tan(math.radians(shape.flexion_deg)),
        middle=0.5 * (ends[0] + ends[1]),
        half_width=0.5 * (ends[0] - ends[1]),
        notch=notch,
        growth_plate=shape.growth_plate_mm,
        around_cruciates=parameters.joint.notch,
        effusion=parameters.joint.effusion_mm,
    )


def _condyles(parameters: KneeParameters, tibia: Tibia) -> tuple[Condyle, Condyle]:
    """Shape both condyles and set each down on its plateau."""
    shape, cartilage, joint = parameters.femur, parameters.cartilage, parameters.joint
    s = tibia.scale
    rim = 0.5 * parameters.tibia.plateau_width_mm
    medial_u = 26.5 * s + shape.medial_contact_mm
    lateral_u = 25.2 * s + shape.lateral_contact_mm
    medial = Condyle(
        u=medial_u,
        y=-1.0 * s,
        z=21.0 * s,
        profile=Oval(24.5 * s, 26.0 * s, 21.0 * s, 21.5 * s),
        crown=shape.condyle_crown_per_mm / s,
        outer=rim + shape.medial_overhang_mm - 0.4 - medial_u,
        inner=medial_u - 7.5 * s,
        shoulder=1.35 * shape.condyle_shoulder_mm * s,
        cartilage=cartilage.femoral_mm * (1.0 - 0.85 * cartilage.medial_loss),
        lean=0.05,
        waist=24.0 * s,
        splay=0.166,
        bend=0.0088,
        tilt=tibia.tilt,
        osteophyte=joint.medial_femoral_osteophyte_mm,
    )
    lateral = replace(
        medial,
        u=-lateral_u,
        y=2.5 * s,
        profile=Oval(21.5 * s, 28.0 * s, 21.0 * s, 21.5 * s),
        outer=rim + shape.lateral_overhang_mm - 0.9 - lateral_u,
        inner=lateral_u - 7.2 * s,
        shoulder=0.85 * shape.condyle_shoulder_mm * s,
        cartilage=cartilage.femoral_mm * (1.0 - 0.85 * cartilage.lateral_loss),
        outward=-1.0,
        lean=0.03,
        splay=0.06,
        bend=0.015,
        osteophyte=joint.lateral_femoral_osteophyte_mm,
    )
    return (
        _set_down(medial, tibia, tibia.medial, cartilage.contact_gap_mm),
        _set_down(lateral, tibia, tibia.lateral, cartilage.contact_gap_mm),
    )


def _trochlea(s: float, level: float, *, cartilage: float) -> Condyle:
    return Condyle(
        u=0.0,
        y=-9.0 * s,
        z=level + 28.0 * s,
        profile=Oval(16.0 * s, 24.0 * s, 22.0 * s, 23.0 * s),
        crown=0.0,
        outer=30.0 * s,
        inner=30.0 * s,
        shoulder=12.0 * s,
        cartilage=cartilage,
        groove=4.0 * s,
    )


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

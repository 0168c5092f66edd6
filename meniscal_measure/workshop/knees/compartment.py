"""A meniscus where it lies: its tears, and the capsule, ligament and fluid against it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Box, Painted
from meniscal_measure.workshop.knees.meniscus import Located, Meniscus
from meniscal_measure.workshop.knees.parameters import (
    EXTRUSION_RANGE_MM,
    Filling,
    JointParameters,
    SoftTissueParameters,
)
from meniscal_measure.workshop.knees.signed_distance import (
    ROUND_OFF,
    Field,
    bump,
    maximum,
    positive,
)
from meniscal_measure.workshop.knees.tissue import FILLING_TISSUES, Depth, Tissue

MENISCUS_TISSUES = {
    Compartment.MEDIAL: Tissue.MEDIAL_MENISCUS,
    Compartment.LATERAL: Tissue.LATERAL_MENISCUS,
}

CAPSULE_CLEARANCE_MM = 1.2
"""Distance of the capsule from the rim where no meniscus pushes it out."""

CAPSULE_REACH_MM = 13.0
"""Height of the capsule above and below the outer wall."""

BOW_MM = 10.0
"""Height over which an extruded meniscus bows the capsule out."""


@dataclass(frozen=True)
class MeniscalCompartment:
    """One meniscus with its tears and what lies against it, under the femur it leaves room for."""

    meniscus: Meniscus
    femur: Femur
    soft: SoftTissueParameters
    joint: JointParameters

    @property
    def _is_medial(self) -> bool:
        return self.meniscus.compartment is Compartment.MEDIAL

    @property
    def box(self) -> Box:
        """Box around the meniscus and the capsule beside it."""
        plateau, scale = self.meniscus.plateau, self.meniscus.tibia.scale
        outline, margin = plateau.outline, EXTRUSION_RANGE_MM[1] + 6.0
        across = sorted(
            plateau.centre_u + plateau.outward * reach
            for reach in (
                float(outline.p_positive) + margin,
                -float(outline.p_negative) - 6.0 * scale,
            )
        )
        along = (
            plateau.centre_y - float(outline.q_negative) - margin,
            plateau.centre_y + float(outline.q_positive) + margin,
        )
        return (across[0], across[1]), along, (-16.0 * scale - margin, 24.0 * scale)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[Painted]:
        """Return margin, meniscus and tears."""
        meniscus = self.meniscus
        at = meniscus.locate(u, y, z)
        clear = (meniscus.plateau.spine_base_u - u) * meniscus.plateau.outward
        room = self.femur.covered_distance(meniscus.compartment, u, y, z)
        whole = meniscus.distance(at, room)
        yield from self._margin_layers(at, clear)
        yield MENISCUS_TISSUES[meniscus.compartment], Depth.MENISCUS, whole
        yield from self._root_layers(at, whole)
        yield from self._body_layers(at, whole)
        if meniscus.tear.avulsion > 0:
            yield from self._fragment_layers(at)

    def _margin_layers(self, at: Located, clear: Field) -> Iterator[Painted]:
        soft = self.soft
        level = at.h - self.meniscus.shape.wall_height_mm
        part = level * (1.0 / BOW_MM)
        free = at.beyond - CAPSULE_CLEARANCE_MM
        pushed = at.section.outer + soft.capsule_gap_mm - at.reach + free
        line = free - positive(pushed) * bump(part * part)
        ends = maximum(abs(level) - CAPSULE_REACH_MM, clear + 4.0)
        half = 0.5 * soft.capsule_mm
        yield Tissue.CAPSULE, Depth.CAPSULE, maximum(abs(line - half) - half, ends)
        behind = maximum(line, at.section.outer - 0.5 - at.reach)
        yield Tissue.CAPSULE, Depth.CAPSULE, maximum(behind, maximum(abs(level) - 3.5, clear + 4.0))
        if self._is_medial:  # which has a deep collateral ligament
            half = 0.5 * soft.deep_collateral_mm
            band = abs(line - soft.capsule_mm - half) - half
            along = abs(at.angle) * at.reach - 10.0
            yield Tissue.LIGAMENT, Depth.LIGAMENT, maximum(maximum(band, along), ends)
        inward = clear + 2.0 * positive(at.h - 0.5)
        space = maximum(maximum(line, inward), -1.5 - at.h)
        yield Tissue.CAPSULE, Depth.JOINT_SPACE, maximum(space, at.h - 4.0)
        flooded = min(0.4 + 0.8 * self.joint.effusion_mm, 10.0)
        yield Tissue.FLUID, Depth.JOINT_SPACE, maximum(space, at.h - flooded)
        yield from self._gap_layers(at, line, behind, clear)
        joint = self.joint
        pocket = joint.medial_recess_fluid_mm if self._is_medial else joint.lateral_recess_fluid_mm
        if pocket > 0:
            yield Tissue.FLUID, Depth.JOINT_SPACE, self._pocket(at, pocket)

    def _gap_layers(
        self, at: Located, line: Field, behind: Field, clear: Field
    ) -> Iterator[Painted]:
        """Return what fills the space between wall and capsule, and the vessel in it."""
        filling = self.joint.medial_gap if self._is_medial else self.joint.lateral_gap
        radius = self.joint.gap_vessel_mm
        if filling is not Filling.SYNOVIUM:
            within = maximum(maximum(behind, clear + 4.0), abs(at.h - 3.0) - 4.5)
            yield FILLING_TISSUES[filling], Depth.JOINT_SPACE, within
        if radius > 0:
            out = 0.5 * (at.reach - at.section.outer + line)
            room = 0.5 * (at.reach - at.section.outer - line)
            up = at.h - self.meniscus.shape.wall_height_mm
            tube = (out * out + up * up + ROUND_OFF) ** 0.5 - radius
            yield Tissue.VESSEL, Depth.JOINT_SPACE, tube + 2.0 * positive(radius - room)

    def _pocket(self, at: Located, thickness: float) -> Field:
        half = 0.5 * thickness + 0.3
        out = (at.reach - at.section.outer - half + 0.5) * (1.0 / half)
        up = (at.h - self.meniscus.shape.wall_height_mm - self.joint.recess_height_mm) * 0.28
        along = (at.angle - math.radians(self.joint.recess_angle_deg)) * at.reach * 0.12
        return ((out * out + up * up + along * along + 1e-6) ** 0.5 - 1.0) * half

    def _root_layers(self, at: Located, whole: Field) -> Iterator[Painted]:
        """Return scar and fluid in the gap of a torn posterior root."""
        tear = self.meniscus.tear
        if not tear.scar > 0:
            return
        root = self.meniscus.posterior
        past = (root.angle - at.angle) * root.reach
        across = abs(past - tear.gap_centre + tear.gap_slant * (at.h - 2.0))
        above = tear.gap_floor * at.section.height - at.h
        bounds = maximum(above, whole)
        yield Tissue.TORN_MENISCUS, Depth.TEAR, maximum(across - 0.5 * tear.scar, bounds)
        yield Tissue.FLUID, Depth.TEAR, maximum(across - 0.5 * tear.gap, bounds)

    def _body_layers(self, at: Located, whole: Field) -> Iterator[Painted]:
        """Return degeneration, and longitudinal and horizontal clefts; none reaches an edge."""
        meniscus, tear = self.meniscus, self.meniscus.tear
        width: Field = at.section.outer - at.section.inner
        t = (at.reach - at.section.inner) / width
        degeneration = meniscus.shape.degeneration
        if degeneration > 0:
            size = 0.12 + 0.12 * degeneration
            p, q = (t - 0.7) * (1.0 / size), (at.h / at.section.height - 0.4) * (0.9 / size)
            inside: Field = ((p * p + q * q + 1e-6) ** 0.5 - 1.0) * size * 6.0
            yield Tissue.TORN_MENISCUS, Depth.TEAR, maximum(inside, whole + 0.3)
        near = abs(at.angle - tear.notch_angle) * at.reach
        if tear.cleft > 0:
            cleft: Field = abs(t - 0.6) * width - 0.5 * tear.cleft
            yield Tissue.FLUID, Depth.TEAR, maximum(maximum(cleft, near - 14.0), whole)
        if tear.split > 0:
            level = abs(at.h - 0.35 * at.section.height * (0.3 + t)) - 0.5 * tear.split
            within = (abs(t - 0.5) - 0.35) * width
            split = maximum(maximum(level, within), maximum(near - 9.0, whole + 0.2))
            yield Tissue.FLUID, Depth.TEAR, split

    def _fragment_layers(self, at: Located) -> Iterator[Painted]:
        """Return the bone fragment that an avulsed root carries, and its bed."""
        tear, root = self.meniscus.tear, self.meniscus.posterior
        along = (root.angle - at.angle) * root.reach - tear.gap_centre
        across = at.reach - root.reach
        flat = along * along + across * across
        up = at.h - 1.8
        ball = (flat + 2.5 * up * up + 1e-6) ** 0.5 - tear.avulsion
        yield Tissue.CORTICAL_BONE, Depth.TEAR, ball
        yield Tissue.MARROW, Depth.TEAR, ball + 0.8
        down = at.h + 0.8
        bed = (flat + 3.0 * down * down + 1e-6) ** 0.5 - tear.avulsion - 0.5
        yield Tissue.FLUID, Depth.LESION, bed

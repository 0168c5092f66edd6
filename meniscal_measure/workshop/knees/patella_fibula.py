"""Patella and fibula."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import (
    Cord,
    Field,
    ellipsoid,
    maximum,
    smooth_max,
    smooth_min,
)
from meniscal_measure.workshop.knees.tissue import Depth, Tissue


@dataclass(frozen=True)
class Patella:
    """A rounded triangle of bone in front of the trochlea, cartilage behind."""

    u: float
    y: float
    z: float
    scale: float

    @property
    def box(self) -> Box:
        """Box around the patella."""
        s = self.scale
        return (
            (self.u - 26 * s, self.u + 26 * s),
            (self.y - 16 * s, self.y + 18 * s),
            (self.z - 28 * s, self.z + 28 * s),
        )

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return cartilage, cortical bone and marrow."""
        s = self.scale
        p, q, r = u - self.u, y - self.y, z - self.z
        body = ellipsoid((p, q, r), (22.0 * s, 11.5 * s, 21.0 * s))
        facets = q + 0.30 * abs(p + 2.0 * s) - 7.5 * s
        taper = abs(p) * 0.75 - r * 0.66 - 14.0 * s
        bone = smooth_max(smooth_max(body, facets, 4.0 * s), taper, 5.0 * s)
        behind = ellipsoid((p, q, r - 3.0 * s), (21.0 * s, 14.0 * s, 15.5 * s))
        covered = smooth_max(smooth_max(behind, facets - 3.0 * s, 3.0 * s), taper, 4.0 * s)
        yield Tissue.CARTILAGE, Depth.CARTILAGE, maximum(covered, -q)
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + 0.9


@dataclass(frozen=True)
class Fibula:
    """Head, neck and shaft of the fibula, behind and beside the tibia."""

    head: tuple[float, float, float]
    shaft: Cord
    scale: float

    @property
    def box(self) -> Box:
        """Box around the fibula as far down as it goes."""
        u, y, z = self.head
        s = self.scale
        return (u - 16 * s, u + 18 * s), (y - 22 * s, y + 18 * s), (-math.inf, z + 18 * s)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return cortical bone and marrow."""
        s = self.scale
        offset = (u - self.head[0], y - self.head[1], z - self.head[2])
        head = ellipsoid(offset, (9.5 * s, 10.5 * s, 12.0 * s))
        bone = smooth_min(head, self.shaft.distance(u, y, z), 8.0 * s)
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + 1.2


def build_patella(parameters: KneeParameters, femur: Femur) -> Patella:
    """Build the patella of one knee."""
    s = femur.scale
    height = femur.level + 27.0 * s + parameters.femur.patella_height_mm
    front = femur.trochlea.y - float(femur.trochlea.profile.p_negative)
    return Patella(-1.5 * s, front - 9.5 * s, height, s)


def build_fibula(femur: Femur) -> Fibula:
    """Build the fibula of one knee."""
    s = femur.scale
    shaft = Cord((-33.0 * s, 18.0 * s, -28.0 * s), (-29.0 * s, 14.0 * s, -260.0 * s), 5.5 * s)
    return Fibula((-33.5 * s, 18.0 * s, -21.0 * s), shaft, s)

"""Patella and fibula."""

from __future__ import annotations

import math
from collections.abc import Iterator

from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Painted, Solid
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


def build_patella(parameters: KneeParameters, femur: Femur) -> Solid:
    """Build the patella: a rounded triangle of bone in front of the trochlea, cartilage behind."""
    s = femur.scale
    front = femur.trochlea.y - float(femur.trochlea.profile.p_negative)
    at_u, at_y = -1.5 * s, front - 9.5 * s
    at_z = femur.level + 27.0 * s + parameters.femur.patella_height_mm

    def layers(u: Field, y: Field, z: Field) -> Iterator[Painted]:
        p, q, r = u - at_u, y - at_y, z - at_z
        body = ellipsoid((p, q, r), (22.0 * s, 11.5 * s, 21.0 * s))
        facets = q + 0.30 * abs(p + 2.0 * s) - 7.5 * s
        taper = abs(p) * 0.75 - r * 0.66 - 14.0 * s
        bone = smooth_max(smooth_max(body, facets, 4.0 * s), taper, 5.0 * s)
        behind = ellipsoid((p, q, r - 3.0 * s), (21.0 * s, 14.0 * s, 15.5 * s))
        covered = smooth_max(smooth_max(behind, facets - 3.0 * s, 3.0 * s), taper, 4.0 * s)
        yield Tissue.CARTILAGE, Depth.CARTILAGE, maximum(covered, -q)
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + 0.9

    box = (
        (at_u - 26 * s, at_u + 26 * s),
        (at_y - 16 * s, at_y + 18 * s),
        (at_z - 28 * s, at_z + 28 * s),
    )
    return Solid(box, layers)


def build_fibula(femur: Femur) -> Solid:
    """Build head, neck and shaft of the fibula, behind and beside the tibia."""
    s = femur.scale
    at_u, at_y, at_z = -33.5 * s, 18.0 * s, -21.0 * s
    shaft = Cord((-33.0 * s, 18.0 * s, -28.0 * s), (-29.0 * s, 14.0 * s, -260.0 * s), 5.5 * s)

    def layers(u: Field, y: Field, z: Field) -> Iterator[Painted]:
        head = ellipsoid((u - at_u, y - at_y, z - at_z), (9.5 * s, 10.5 * s, 12.0 * s))
        bone = smooth_min(head, shaft.distance(u, y, z), 8.0 * s)
        yield Tissue.CORTICAL_BONE, Depth.BONE, bone
        yield Tissue.MARROW, Depth.MARROW, bone + 1.2

    box = (at_u - 16 * s, at_u + 18 * s), (at_y - 22 * s, at_y + 18 * s), (-math.inf, at_z + 18 * s)
    return Solid(box, layers)

"""Marrow oedema, a popliteal cyst and a repair tunnel: what is in the knee beside its anatomy."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Box, Part
from meniscal_measure.workshop.knees.meniscus import Meniscus
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Cord, Field, ellipsoid, maximum
from meniscal_measure.workshop.knees.tibia import Tibia
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

SUBCHONDRAL_MM = 1.5
"""Thickness of subchondral bone left out of the oedema."""

FOOTPRINT_DEPTH_MM = 4.0
"""Depth of the middle of a root's oedema under the footprint (common practice, no source)."""

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Blob:
    """An ellipsoid of one tissue."""

    tissue: Tissue
    depth: Depth
    centre: Point
    half_axes: Point

    @property
    def box(self) -> Box:
        """Box around the ellipsoid."""
        spans = [
            (c - half - 1.0, c + half + 1.0)
            for c, half in zip(self.centre, self.half_axes, strict=True)
        ]
        return spans[0], spans[1], spans[2]

    def distance(self, u: Field, y: Field, z: Field) -> Field:
        """Return the distance from the ellipsoid.

        Examples
        --------
        >>> import numpy as np
        >>> blob = Blob(Tissue.FLUID, Depth.CYST, (0.0, 0.0, 0.0), (3.0, 3.0, 3.0))
        >>> blob.distance(np.array([5.0]), np.zeros(1), np.zeros(1)).round(3).tolist()
        [2.0]
        """
        offset = (u - self.centre[0], y - self.centre[1], z - self.centre[2])
        return ellipsoid(offset, self.half_axes)

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return the ellipsoid."""
        yield self.tissue, self.depth, self.distance(u, y, z)


@dataclass(frozen=True)
class Oedema:
    """Marrow oedema under a joint surface: an ellipsoid that stays inside its bone."""

    blob: Blob
    bone: Part

    @property
    def box(self) -> Box:
        """Box around the oedema."""
        return self.blob.box

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return the oedema."""
        marrow = next(d for tissue, _, d in self.bone.layers(u, y, z) if tissue is Tissue.MARROW)
        inside = maximum(self.blob.distance(u, y, z), marrow + SUBCHONDRAL_MM)
        yield self.blob.tissue, self.blob.depth, inside


@dataclass(frozen=True)
class Tunnel:
    """A drilled tunnel through the tibia, cut off at the plateau."""

    cord: Cord
    tibia: Tibia
    box: Box

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Return the tunnel."""
        inside = maximum(self.cord.distance(u, y, z), z - self.tibia.height(u, y))
        yield Tissue.TUNNEL, Depth.LESION, inside


def build_lesions(
    parameters: KneeParameters, tibia: Tibia, femur: Femur, meniscus: Meniscus
) -> Iterator[Part]:
    """Build the lesions of one knee; `meniscus` is the medial one, whose root a tunnel leads to."""
    joint, s = parameters.joint, tibia.scale
    for radius, compartment, bone in (
        (joint.medial_tibial_oedema_mm, Compartment.MEDIAL, tibia),
        (joint.lateral_tibial_oedema_mm, Compartment.LATERAL, tibia),
        (joint.medial_femoral_oedema_mm, Compartment.MEDIAL, femur),
    ):
        if radius > 0:
            yield _oedema(radius, compartment, bone, tibia)
    radius, root = joint.root_oedema_mm, meniscus.posterior
    if radius > 0:
        centre = (root.u, root.y, tibia.height_at(root.u, root.y) - FOOTPRINT_DEPTH_MM)
        blob = Blob(Tissue.MARROW_OEDEMA, Depth.LESION, centre, (radius, radius, radius))
        yield Oedema(blob, tibia)
    size = joint.popliteal_cyst_mm
    if size > 0:
        half_axes = (0.5 * size, 0.55 * size, 1.2 * size)
        yield Blob(Tissue.FLUID, Depth.CYST, (17.0 * s, 38.0 * s, 4.0 * s), half_axes)
    if parameters.repair.tunnel_radius_mm > 0:
        yield _tunnel(parameters, tibia, meniscus)


def _oedema(radius: float, compartment: Compartment, bone: Part, tibia: Tibia) -> Oedema:
    plateau = tibia.plateau(compartment)
    u, y = plateau.centre_u + 5.0 * plateau.outward, plateau.centre_y
    z = tibia.height_at(u, y) + (-2.0 if bone is tibia else 9.0)
    half_axes = (radius, 1.1 * radius, 0.9 * radius)
    return Oedema(Blob(Tissue.MARROW_OEDEMA, Depth.LESION, (u, y, z), half_axes), bone)


def _tunnel(parameters: KneeParameters, tibia: Tibia, meniscus: Meniscus) -> Tunnel:
    """Lay the tunnel from the front of the medial tibia to beside the footprint."""
    s, repair, root = tibia.scale, parameters.repair, meniscus.posterior
    mouth_u, mouth_y = root.u + 0.3 * repair.offset_mm, root.y - 0.954 * repair.offset_mm
    mouth = (mouth_u, mouth_y, tibia.height_at(mouth_u, mouth_y))
    start = (19.0 * s, -20.0 * s, -42.0 * s)
    reach = repair.tunnel_radius_mm + 2.0
    spans = [(min(a, b) - reach, max(a, b) + reach) for a, b in zip(start, mouth, strict=True)]
    cord = Cord(start, mouth, repair.tunnel_radius_mm)
    return Tunnel(cord, tibia, (spans[0], spans[1], spans[2]))

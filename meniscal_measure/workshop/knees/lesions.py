"""Marrow oedema, a popliteal cyst and a repair tunnel: what is in the knee beside its anatomy."""

from __future__ import annotations

from collections.abc import Iterator

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Painted, Part, Point, Solid, box_around, solid
from meniscal_measure.workshop.knees.meniscus import Meniscus
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Cord, Field, ellipsoid, maximum
from meniscal_measure.workshop.knees.tibia import Tibia
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

SUBCHONDRAL_MM = 1.5
"""Thickness of subchondral bone left out of the oedema."""

FOOTPRINT_DEPTH_MM = 4.0
"""Depth of the middle of a root's oedema under the footprint (common practice, no source)."""


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
            yield _subchondral_oedema(radius, compartment, bone, tibia)
    radius, root = joint.root_oedema_mm, meniscus.posterior
    if radius > 0:
        centre = (root.u, root.y, tibia.height_at(root.u, root.y) - FOOTPRINT_DEPTH_MM)
        yield _oedema(centre, (radius, radius, radius), tibia)
    size = joint.popliteal_cyst_mm
    if size > 0:
        centre, half_axes = (17.0 * s, 38.0 * s, 4.0 * s), (0.5 * size, 0.55 * size, 1.2 * size)
        yield _ellipsoid(Tissue.FLUID, Depth.CYST, centre, half_axes)
    if parameters.repair.tunnel_radius_mm > 0:
        yield _tunnel(parameters, tibia, meniscus)


def _ellipsoid(tissue: Tissue, depth: Depth, centre: Point, half_axes: Point) -> Solid:
    at_u, at_y, at_z = centre
    half_u, half_y, half_z = half_axes
    box = box_around([centre], (half_u + 1.0, half_y + 1.0, half_z + 1.0))
    return solid(
        tissue, depth, box, lambda u, y, z: ellipsoid((u - at_u, y - at_y, z - at_z), half_axes)
    )


def _oedema(centre: Point, half_axes: Point, bone: Part) -> Solid:
    """Marrow oedema under a joint surface: an ellipsoid that stays inside its bone."""
    whole = _ellipsoid(Tissue.MARROW_OEDEMA, Depth.LESION, centre, half_axes)

    def layers(u: Field, y: Field, z: Field) -> Iterator[Painted]:
        marrow = next(d for tissue, _, d in bone.layers(u, y, z) if tissue is Tissue.MARROW)
        for tissue, depth, distance in whole.layers(u, y, z):
            yield tissue, depth, maximum(distance, marrow + SUBCHONDRAL_MM)

    return Solid(whole.box, layers)


def _subchondral_oedema(radius: float, compartment: Compartment, bone: Part, tibia: Tibia) -> Solid:
    plateau = tibia.plateau(compartment)
    u, y = plateau.centre_u + 5.0 * plateau.outward, plateau.centre_y
    z = tibia.height_at(u, y) + (-2.0 if bone is tibia else 9.0)
    return _oedema((u, y, z), (radius, 1.1 * radius, 0.9 * radius), bone)


def _tunnel(parameters: KneeParameters, tibia: Tibia, meniscus: Meniscus) -> Solid:
    """Drill a tunnel from the front of the medial tibia to beside the footprint."""
    s, repair, root = tibia.scale, parameters.repair, meniscus.posterior
    mouth_u, mouth_y = root.u + 0.3 * repair.offset_mm, root.y - 0.954 * repair.offset_mm
    mouth = (mouth_u, mouth_y, tibia.height_at(mouth_u, mouth_y))
    start = (19.0 * s, -20.0 * s, -42.0 * s)
    cord = Cord(start, mouth, repair.tunnel_radius_mm)

    def distance(u: Field, y: Field, z: Field) -> Field:
        return maximum(cord.distance(u, y, z), z - tibia.height(u, y))

    box = box_around([start, mouth], (repair.tunnel_radius_mm + 2.0,) * 3)
    return solid(Tissue.TUNNEL, Depth.LESION, box, distance)

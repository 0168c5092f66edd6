"""Ligaments, tendons and vessels: cords from point to point, and sheets along the sides.

Attachments are those of the anatomical textbooks, placed by eye on public images (common practice,
no source), in mm for a plateau 73.4 mm wide.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from meniscal_measure.workshop.knees.femur import Femur
from meniscal_measure.workshop.knees.layers import Part, Point, Solid, box_around, solid
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Cord, Field, maximum, minimum, positive
from meniscal_measure.workshop.knees.tibia import Tibia
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

BOX_MARGIN_MM = 6.0
"""Room around a cord or sheet for the soft edge of its surface."""


def _strand(
    tissue: Tissue,
    depth: Depth,
    points: tuple[Point, ...],
    radius: float,
    *,
    wide: Point = (0.0, 0.0, 0.0),
    flatten: float = 1.0,
) -> Solid:
    """Run a cord through several points."""
    first, *others = (Cord(start, end, radius, wide, flatten) for start, end in pairwise(points))

    def distance(u: Field, y: Field, z: Field) -> Field:
        nearest = first.distance(u, y, z)
        for cord in others:
            nearest = minimum(nearest, cord.distance(u, y, z))
        return nearest

    reach = radius * flatten + BOX_MARGIN_MM
    return solid(tissue, depth, box_around(points, (reach, reach, reach)), distance)


def _sheet(
    tissue: Tissue,
    knots: tuple[tuple[float, float], ...],
    place: tuple[float, float, float],
    *,
    half_thickness: float,
) -> Solid:
    """Lay a band along the side of the joint through knots (z, u), upwards.

    `place` is its middle y, its run backwards per mm upwards, and its half width.
    """
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(knots)]
    changes = [slopes[0], *(b - a for a, b in pairwise(slopes))]
    middle_y, lean, half_width = place
    (lower_z, start_u), (top_z, _) = knots[0], knots[-1]

    def distance(u: Field, y: Field, z: Field) -> Field:
        surface: float | Field = start_u
        for (bend_z, _), change in zip(knots, changes, strict=False):
            surface = surface + change * positive(z - bend_z)
        across = abs(u - surface) - half_thickness
        along = abs(y - middle_y - lean * z) - half_width
        return maximum(maximum(across, along), maximum(z - top_z, lower_z - z))

    us, reach = [u for _, u in knots], half_thickness + BOX_MARGIN_MM
    along = half_width + 80.0 * abs(lean) + BOX_MARGIN_MM
    box = (
        (min(us) - reach, max(us) + reach),
        (middle_y - along, middle_y + along),
        (lower_z - BOX_MARGIN_MM, top_z + BOX_MARGIN_MM),
    )
    return solid(tissue, Depth.LIGAMENT, box, distance)


@dataclass(frozen=True)
class _Places:
    """Points scaled to a knee; heights from the plateau (`at`) or from the femur (`thigh`)."""

    tibia: Tibia
    femur: Femur

    def at(self, u: float, y: float, z: float) -> Point:
        s = self.tibia.scale
        return u * s, y * s, z * s

    def thigh(self, u: float, y: float, height: float) -> Point:
        s, femur = self.tibia.scale, self.femur
        return u * s, y * s, float(femur.level + femur.tilt * u * s + height * s)


_LIGAMENT = (Tissue.LIGAMENT, Depth.LIGAMENT)
_TENDON = (Tissue.TENDON, Depth.TENDON)
_VESSEL = (Tissue.VESSEL, Depth.VESSEL)


def build_ligaments(parameters: KneeParameters, tibia: Tibia, femur: Femur) -> tuple[Solid, ...]:
    """Build the ligaments, tendons and vessels of one knee."""
    places = _Places(tibia, femur)
    at, s = places.at, tibia.scale
    artery = (at(-3.0, 33.0, 95.0), at(-2.0, 31.0, 0.0), at(-6.0, 22.0, -90.0))
    vein = (at(-8.0, 38.0, 95.0), at(-5.0, 38.5, 0.0), at(-9.0, 25.0, -90.0))
    return (
        *_cruciates(places),
        *_lateral_cords(places, 0.5 * parameters.soft.lateral_collateral_mm),
        *_medial_tendons(places),
        *_extensor_tendons(places, parameters.femur.patella_height_mm / tibia.scale),
        _strand(*_VESSEL, artery, 3.0 * s),
        _strand(*_VESSEL, vein, 3.8 * s),
        *_bands(parameters, tibia, femur),
    )


def _cruciates(places: _Places) -> tuple[Solid, ...]:
    at, thigh, s = places.at, places.thigh, places.tibia.scale
    anterior = (at(2.0, -9.0, 2.0), thigh(-9.0, 9.0, 17.0))
    posterior = (at(0.5, 19.0, -9.0), at(1.0, 15.0, 6.0), thigh(7.0, 1.0, 12.0))
    return (
        _strand(*_LIGAMENT, anterior, 2.6 * s, wide=(0.5, 0.87, 0.0), flatten=1.7),
        _strand(*_LIGAMENT, posterior, 3.4 * s, wide=(0.0, 1.0, 0.0), flatten=1.25),
    )


def _lateral_cords(places: _Places, collateral_radius: float) -> tuple[Solid, ...]:
    """Collateral ligament, biceps and popliteus tendon, and the fluid in the popliteal hiatus."""
    at, thigh, s = places.at, places.thigh, places.tibia.scale
    popliteus = (thigh(-37.0, 3.0, 11.0), at(-36.5, 14.0, 1.0), at(-24.0, 23.5, -8.0))
    hiatus = (at(-37.5, 10.0, 3.5), at(-36.0, 15.0, 0.5), at(-27.0, 22.0, -6.0))
    collateral = (thigh(-37.5, 2.0, 22.0), at(-38.5, 14.0, -11.0))
    return (
        _strand(*_LIGAMENT, collateral, collateral_radius),
        _strand(*_TENDON, (at(-36.0, 26.0, 60.0), at(-38.5, 19.0, -9.0)), 3.4 * s),
        _strand(*_TENDON, popliteus, 2.2 * s),
        _strand(Tissue.FLUID, Depth.CAPSULE, hiatus, 2.9 * s),
    )


def _medial_tendons(places: _Places) -> tuple[Solid, ...]:
    """Semimembranosus, semitendinosus and gracilis."""
    at, s = places.at, places.tibia.scale
    semimembranosus = (at(24.0, 36.0, 70.0), at(26.0, 29.0, 5.0), at(25.0, 23.0, -9.0))
    semitendinosus = (at(25.0, 40.0, 70.0), at(31.0, 33.0, 5.0), at(22.0, 2.0, -62.0))
    gracilis = (at(38.0, 24.0, 70.0), at(37.0, 27.0, 5.0), at(26.0, -2.0, -58.0))
    return (
        _strand(*_TENDON, semimembranosus, 3.0 * s),
        _strand(*_TENDON, semitendinosus, 1.9 * s),
        _strand(*_TENDON, gracilis, 1.7 * s),
    )


def _extensor_tendons(places: _Places, patella: float) -> tuple[Solid, ...]:
    """Patellar and quadriceps tendon; `patella` is how much higher the patella stands."""
    at, s = places.at, places.tibia.scale
    patellar = (at(-1.0, -44.5, 14.0 + patella), at(-4.0, -30.0, -33.0))
    quadriceps = (at(-1.0, -44.5, 44.0 + patella), at(-2.0, -40.0, 95.0))
    return (
        _strand(*_TENDON, patellar, 2.4 * s, wide=(1.0, 0.0, 0.0), flatten=5.0),
        _strand(*_TENDON, quadriceps, 3.4 * s, wide=(1.0, 0.0, 0.0), flatten=4.0),
    )


def _bands(parameters: KneeParameters, tibia: Tibia, femur: Femur) -> tuple[Solid, Solid]:
    """Superficial medial collateral ligament and iliotibial band, laid over the bones."""
    s, soft = tibia.scale, parameters.soft
    rim = 0.5 * parameters.tibia.plateau_width_mm
    bulge = max(parameters.medial.body_extrusion_mm, 0.3)
    half = 0.5 * soft.medial_collateral_mm
    beside = rim + bulge + soft.capsule_gap_mm + soft.capsule_mm + soft.deep_collateral_mm + half
    on_femur = side_wall(femur, 1.0, 2.0 * s, (14.0 * s, 30.0 * s))
    on_tibia = side_wall(tibia, 1.0, 0.0, (-14.0 * s, -28.0 * s, -42.0 * s, -62.0 * s))
    medial = (
        *((z, wall + half + 0.6) for z, wall in reversed(on_tibia)),
        (-2.0 * s, beside),
        (7.0 * s, beside),
        (on_femur[0][0], max(0.5 * (beside + on_femur[0][1]), on_femur[0][1] + half)),
        (on_femur[1][0], on_femur[1][1] + half),
    )
    beside = side_wall(femur, -1.0, -12.0 * s, (26.0 * s,))[0][1] - 3.0 * s
    gerdy = side_wall(tibia, -1.0, -13.0 * s, (-13.0 * s,))[0][1] - 1.0
    lateral = (
        (-15.0 * s, gerdy),
        (-2.0 * s, -rim - 3.5 * s),
        (26.0 * s, beside),
        (100.0 * s, beside + 2.0 * s),
    )
    return (
        _sheet(Tissue.LIGAMENT, medial, (2.0 * s, 0.04, 7.0 * s), half_thickness=half),
        _sheet(Tissue.TENDON, lateral, (-13.0 * s, 0.12, 9.0 * s), half_thickness=0.9 * s),
    )


def side_wall(
    bone: Part, outward: float, y: float, heights: tuple[float, ...]
) -> list[tuple[float, float]]:
    """Find how far out a bone reaches at some heights: pairs of height and `u`.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.tibia import build_tibia
    >>> side_wall(build_tibia(KneeParameters()), 1.0, 0.0, (-10.0,))
    [(-10.0, 35.25)]
    """
    reach = np.arange(0.0, 60.0, 0.25)
    u, z = np.meshgrid(outward * reach, np.array(heights))
    layers = bone.layers(u, np.full_like(u, y), z)
    solid = next(distance for tissue, _, distance in layers if tissue is Tissue.CORTICAL_BONE) < 0
    return [
        (height, outward * float(reach[row].max(initial=0.0)))
        for height, row in zip(heights, solid, strict=True)
    ]

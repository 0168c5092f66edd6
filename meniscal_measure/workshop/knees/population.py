"""Drawing knees from a population.

The distributions are published ones where a source is named; the others are common practice with no
source, chosen wide enough to hold what is seen on images.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.workshop.knees.bone_population import (
    PLATEAU_WIDTH_MM,
    draw_cartilage,
    draw_femur,
    draw_tibia,
    scores_beside,
    within,
)
from meniscal_measure.workshop.knees.parameters import (
    BodyTear,
    Filling,
    JointParameters,
    KneeParameters,
    MeniscusParameters,
    RootTear,
    Sex,
    SoftTissueParameters,
    TearParameters,
)
from meniscal_measure.workshop.knees.recipe_fields import Ranged, bounded
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM

Choice = TypeVar("Choice")

ROOT_TEAR_TYPES = (
    (RootTear.PARTIAL, 5),
    (RootTear.COMPLETE, 48),
    (RootTear.BUCKET_HANDLE, 4),
    (RootTear.COMPLEX, 7),
    (RootTear.AVULSION, 7),
)
"""Types with their numbers among 71 tears (LaPrade 2015, Am J Sports Med 43:363-369)."""

ROOT_TEAR_DISTANCES_MM = (((0.0, 3.0), 27), ((3.0, 6.0), 12), ((6.0, 9.0), 9))
"""Distances of complete tears from the attachment, types 2A, 2B and 2C (same source)."""

ROOT_TEAR_GAPS_MM = (((0.2, 1.0), 11), ((1.0, 3.5), 47), ((3.5, 6.5), 29), ((6.5, 10.0), 10))
"""Gaps of 97 complete degenerative medial root tears (PMID 30911565)."""

ROOT_TEAR_EXTRUSION_MM = 2.13
"""Mean additional extrusion with a root tear (Fong 2023, Orthop J Sports Med 11(3))."""

OSTEOARTHRITIS_EXTRUSION_MM = 0.73
"""Mean additional extrusion with osteoarthritis (same source)."""


DRAWN_IN, DRAWN_IN_MM = 0.25, (1.0, 7.0)
"""Share of lateral menisci whose front ends well inside the rim, and by how much."""

NOTCH_FILLINGS = ((Filling.FAT, 4), (Filling.SYNOVIUM, 4), (Filling.FLUID, 2))
GAP_FILLINGS = ((Filling.SYNOVIUM, 4), (Filling.FAT, 3), (Filling.FLUID, 2), (Filling.TENDON, 1))
"""What surrounds the cruciate ligaments, and what lies between meniscus and capsule, by weight."""


@dataclass(frozen=True)
class Population(Ranged):
    """Shares of the population that knees are drawn from."""

    male: float = bounded(0, 1, 0.5)
    osteoarthritis: float = bounded(0, 1, 0.25)
    medial_root_tear: float = bounded(0, 1, 0.15)
    lateral_root_tear: float = bounded(0, 1, 0.03)
    other_tear: float = bounded(0, 1, 0.2)


GENERAL = Population()


def draw_parameters(
    rng: np.random.Generator, population: Population = GENERAL, *, side: Side | None = None
) -> KneeParameters:
    """Draw one knee: the same from the same state of `rng`, of either side unless one is named.

    Examples
    --------
    >>> draw_parameters(np.random.default_rng(1), side=Side.LEFT).side
    <Side.LEFT: 'L'>
    """
    sex = Sex.MALE if rng.random() < population.male else Sex.FEMALE
    drawn_side = Side.LEFT if rng.random() < 0.5 else Side.RIGHT
    wear = rng.beta(2.0, 2.0) if rng.random() < population.osteoarthritis else 0.0
    medially_worn = rng.random() < 0.75
    medial_wear, lateral_wear = (wear, 0.2 * wear) if medially_worn else (0.2 * wear, wear)
    medial_tear = _tear(rng, population.medial_root_tear, population.other_tear)
    lateral_tear = _tear(rng, population.lateral_root_tear, population.other_tear)
    width_mm = rng.normal(*PLATEAU_WIDTH_MM[sex])
    scores = scores_beside(width_mm, rng)
    tibia = draw_tibia(rng, sex, width_mm, scores)
    size = tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    medial = _meniscus(rng, Compartment.MEDIAL, medial_wear, medial_tear.root, size=size)
    lateral = _meniscus(rng, Compartment.LATERAL, lateral_wear, lateral_tear.root, size=size)
    return KneeParameters(
        side=side or drawn_side,
        sex=sex,
        tibia=tibia,
        femur=draw_femur(rng, medial_wear - lateral_wear, scores),
        cartilage=draw_cartilage(rng, (medial_wear, lateral_wear), scores),
        medial=medial,
        lateral=lateral,
        medial_tear=medial_tear,
        lateral_tear=lateral_tear,
        joint=_joint(rng, medial_wear, lateral_wear),
        soft=_soft_tissue(rng, sex),
    )


def _meniscus(
    rng: np.random.Generator, compartment: Compartment, wear: float, root: RootTear, *, size: float
) -> MeniscusParameters:
    """Extrusion 1.64 +- 0.92 mm medially, 0.63 +- 0.73 mm laterally when healthy (Bruns 2014)."""
    is_medial = compartment is Compartment.MEDIAL
    body = rng.normal(1.64, 0.92) if is_medial else rng.normal(0.63, 0.73)
    body += 2.0 * OSTEOARTHRITIS_EXTRUSION_MM * wear
    if root not in (RootTear.NONE, RootTear.PARTIAL):
        body += rng.normal(ROOT_TEAR_EXTRUSION_MM, 1.1)
    drawn_in = rng.uniform(*DRAWN_IN_MM) if not is_medial and rng.random() < DRAWN_IN else 0.0
    torn_back = 0.3 if root is not RootTear.NONE else -0.6
    wall_height = rng.normal(3.0, 0.35)
    return within(
        MeniscusParameters,
        body_width_mm=size * rng.normal(10.4, 1.1),
        anterior_width_mm=size * rng.normal(9.0 if is_medial else 10.0, 1.1),
        posterior_width_mm=size * rng.normal(12.5 if is_medial else 10.5, 1.3),
        height_mm=size * rng.normal(6.0, 0.7),
        body_extrusion_mm=body,
        anterior_extrusion_mm=body - drawn_in + rng.normal(-0.3, 0.8),
        posterior_extrusion_mm=body + rng.normal(torn_back, 0.8),
        wall_height_mm=wall_height,
        wall_bulge_mm=rng.lognormal(math.log(1.0), 0.3),
        tip_thickness_mm=rng.normal(0.8, 0.15),
        hollow=rng.normal(0.15, 0.25),
        sag=rng.uniform(0.0, 0.5),
        degeneration=rng.beta(1.5, 3.0) if rng.random() < 0.4 + 0.5 * wear else 0.0,
    )


def _tear(rng: np.random.Generator, root_share: float, other_share: float) -> TearParameters:
    is_root, is_other = rng.random() < root_share, rng.random() < other_share
    root = _pick(rng, ROOT_TEAR_TYPES) if is_root else RootTear.NONE
    body = list(BodyTear)[rng.integers(1, len(BodyTear))] if is_other else BodyTear.NONE
    distance, gap = _pick(rng, ROOT_TEAR_DISTANCES_MM), _pick(rng, ROOT_TEAR_GAPS_MM)
    return within(
        TearParameters,
        root=root,
        root_distance_mm=rng.uniform(*distance),
        root_gap_mm=rng.uniform(*gap),
        body=body,
        body_angle_deg=rng.uniform(-70.0, 100.0),
        body_depth=rng.uniform(0.2, 0.7),
        body_gape_mm=rng.uniform(0.5, 2.5),
    )


def _pick(rng: np.random.Generator, counted: Sequence[tuple[Choice, int]]) -> Choice:
    """One of several choices, in proportion to their numbers."""
    counts = np.array([count for _, count in counted], dtype=np.float64)
    return counted[int(rng.choice(len(counted), p=counts / counts.sum()))][0]


def _joint(rng: np.random.Generator, medial_wear: float, lateral_wear: float) -> JointParameters:
    def spur(wear: float) -> float:
        return float(max(rng.normal(5.0 * wear, 1.0), 0.0)) if wear > 0 else 0.0

    def oedema(wear: float) -> float:
        return float(rng.uniform(4.0, 16.0)) if rng.random() < 0.08 + 0.4 * wear else 0.0

    def pocket() -> float:
        return float(rng.uniform(0.4, 3.0)) if rng.random() < 0.45 else 0.0

    return within(
        JointParameters,
        effusion_mm=rng.lognormal(math.log(1.5), 0.9),
        popliteal_cyst_mm=rng.uniform(4.0, 14.0) if rng.random() < 0.15 else 0.0,
        medial_tibial_osteophyte_mm=spur(medial_wear),
        lateral_tibial_osteophyte_mm=spur(lateral_wear),
        medial_femoral_osteophyte_mm=spur(medial_wear),
        lateral_femoral_osteophyte_mm=spur(lateral_wear),
        medial_tibial_oedema_mm=oedema(medial_wear),
        medial_femoral_oedema_mm=oedema(medial_wear),
        lateral_tibial_oedema_mm=oedema(lateral_wear),
        medial_recess_fluid_mm=pocket(),
        lateral_recess_fluid_mm=pocket(),
        recess_height_mm=rng.uniform(-5.0, 7.0),
        recess_angle_deg=rng.uniform(-45.0, 45.0),
        notch=_pick(rng, NOTCH_FILLINGS),
        medial_gap=_pick(rng, GAP_FILLINGS),
        lateral_gap=_pick(rng, GAP_FILLINGS),
        gap_vessel_mm=rng.uniform(0.4, 1.2) if rng.random() < 0.4 else 0.0,
    )


def _soft_tissue(rng: np.random.Generator, sex: Sex) -> SoftTissueParameters:
    return within(
        SoftTissueParameters,
        fat_mm=rng.lognormal(math.log(8.0 if sex is Sex.MALE else 12.0), 0.45),
        skin_mm=rng.normal(1.5, 0.25),
        muscle_bulk=rng.normal(1.03 if sex is Sex.MALE else 0.97, 0.08),
        medial_collateral_mm=rng.normal(2.2, 0.6),
        deep_collateral_mm=rng.normal(0.8, 0.25),
        capsule_mm=rng.normal(0.7, 0.2),
        capsule_gap_mm=abs(rng.normal(0.0, 0.7)),
        lateral_collateral_mm=rng.normal(3.6, 0.6),
    )

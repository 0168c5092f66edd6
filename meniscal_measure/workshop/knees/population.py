"""Drawing knees from a population, and the follow-up of a repaired knee.

The distributions are published ones where a source is named; the others are common practice with no
source, chosen wide enough to hold what is seen on images.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.errors import RecipeError
from meniscal_measure.workshop.knees.covariation import PLATEAU_WIDTH_MM, scores_beside
from meniscal_measure.workshop.knees.parameters import (
    BodyTear,
    CartilageParameters,
    FemurParameters,
    Filling,
    JointParameters,
    KneeParameters,
    MeniscusParameters,
    Ranged,
    RepairParameters,
    RootTear,
    Sex,
    SoftTissueParameters,
    TearParameters,
    TibiaParameters,
)
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM

Group = TypeVar("Group", bound=Ranged)

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
GAP_FILLINGS = (
    (Filling.SYNOVIUM, 4),
    (Filling.FAT, 3),
    (Filling.FLUID, 2),
    (Filling.TENDON, 1),
)
"""What surrounds the cruciate ligaments, and what lies between meniscus and capsule, by weight."""


@dataclass(frozen=True)
class Population:
    """Shares of the population that knees are drawn from."""

    male: float = 0.5
    osteoarthritis: float = 0.25
    medial_root_tear: float = 0.15
    lateral_root_tear: float = 0.03
    other_tear: float = 0.2

    def __post_init__(self) -> None:
        for item in fields(self):
            share = getattr(self, item.name)
            if not 0.0 <= share <= 1.0:
                raise RecipeError(f"Population.{item.name} is {share}; it must lie from 0 to 1.")


GENERAL = Population()


def draw_parameters(
    rng: np.random.Generator, population: Population = GENERAL, *, side: Side | None = None
) -> KneeParameters:
    """Draw one knee.

    Parameters
    ----------
    rng
        Source of randomness; the same state gives the same knee.
    population
        Shares of sexes and findings.
    side
        Body side; either with equal chance when None.
    """
    sex = Sex.MALE if rng.random() < population.male else Sex.FEMALE
    drawn_side = Side.LEFT if rng.random() < 0.5 else Side.RIGHT
    wear = rng.beta(2.0, 2.0) if rng.random() < population.osteoarthritis else 0.0
    medially_worn = rng.random() < 0.75
    medial_wear, lateral_wear = (wear, 0.2 * wear) if medially_worn else (0.2 * wear, wear)
    tears = [
        _tear(rng, share, population.other_tear)
        for share in (population.medial_root_tear, population.lateral_root_tear)
    ]
    width_mm = rng.normal(*PLATEAU_WIDTH_MM[sex])
    scores = scores_beside(width_mm, rng)
    tibia = _tibia(rng, sex, width_mm, scores)
    size = tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    medial, lateral = (
        _meniscus(rng, compartment, worn, tear.root, size=size)
        for compartment, worn, tear in zip(
            (Compartment.MEDIAL, Compartment.LATERAL),
            (medial_wear, lateral_wear),
            tears,
            strict=True,
        )
    )
    return KneeParameters(
        side=side or drawn_side,
        sex=sex,
        tibia=tibia,
        femur=_femur(rng, medial_wear - lateral_wear, scores),
        cartilage=_cartilage(rng, (medial_wear, lateral_wear), scores),
        medial=medial,
        lateral=lateral,
        medial_tear=tears[0],
        lateral_tear=tears[1],
        joint=_joint(rng, medial_wear, lateral_wear),
        soft=_soft_tissue(rng, sex),
    )


def repaired(
    parameters: KneeParameters,
    *,
    extrusion_change_mm: float = -1.0,
    tunnel_radius_mm: float = 1.5,
    tunnel_offset_mm: float = 4.0,
    healed: float = 1.0,
) -> KneeParameters:
    """Give the same knee after repair of its medial posterior root through a tibial tunnel.

    Bone, cartilage and everything else stay as they are.

    Parameters
    ----------
    extrusion_change_mm
        Change of the medial extrusion, negative for a reduction.
    tunnel_radius_mm, tunnel_offset_mm
        The tunnel, and how far its mouth lies from the centre of the footprint.
    healed
        Fraction of the gap closed by scar.

    Raises
    ------
    RecipeError
        If there is no medial root tear to repair.
    """
    if parameters.medial_tear.root is RootTear.NONE:
        raise RecipeError(
            "medial_tear.root is none: only a knee with a medial root tear (1 to 5) has a repaired"
            " follow-up."
        )
    moved = shifted(parameters, Compartment.MEDIAL, extrusion_change_mm)
    return replace(
        moved,
        medial_tear=replace(parameters.medial_tear, root_healed=healed),
        repair=RepairParameters(tunnel_radius_mm, tunnel_offset_mm),
    )


def shifted(
    parameters: KneeParameters, compartment: Compartment, shift_mm: float
) -> KneeParameters:
    """Give the same knee with the whole extrusion profile of one meniscus moved outward."""
    meniscus = parameters.meniscus(compartment)
    moved = replace(
        meniscus,
        body_extrusion_mm=meniscus.body_extrusion_mm + shift_mm,
        anterior_extrusion_mm=meniscus.anterior_extrusion_mm + shift_mm,
        posterior_extrusion_mm=meniscus.posterior_extrusion_mm + shift_mm,
    )
    if compartment is Compartment.MEDIAL:
        return replace(parameters, medial=moved)
    return replace(parameters, lateral=moved)


def _within(kind: type[Group], **values: float | str) -> Group:
    """Give a parameter group, its drawn numbers moved into their ranges."""
    ranges = {item.name: item.metadata["range"] for item in fields(kind) if item.metadata}
    kept = {
        name: min(max(float(value), ranges[name][0]), ranges[name][1]) if name in ranges else value
        for name, value in values.items()
    }
    return kind(**kept)


def _tibia(
    rng: np.random.Generator, sex: Sex, width_mm: float, scores: dict[str, float]
) -> TibiaParameters:
    male = sex is Sex.MALE
    return _within(
        TibiaParameters,
        plateau_width_mm=width_mm,
        width_over_depth=rng.normal(1.60, 0.09),
        medial_slope_deg=rng.normal(3.7 if male else 5.9, 2.6),
        lateral_slope_deg=rng.normal(5.4 if male else 7.0, 2.6),
        coronal_slope_deg=rng.normal(2.4 if male else 1.6, 1.7),
        medial_depth_mm=rng.normal(1.5 if male else 1.3, 0.6),
        medial_tilt_deg=-1.0 + 2.8 * scores["tilt_M"],
        lateral_tilt_deg=-1.2 + 4.2 * scores["tilt_L"],
        lateral_depth_mm=rng.normal(0.8, 0.5),
        rim_radius_mm=rng.normal(1.8, 0.4),
        medial_spine_mm=11.0 + 1.4 * scores["spine_h_M"],
        lateral_spine_mm=8.6 + 1.8 * scores["spine_h_L"],
        spine_valley_mm=rng.normal(0.0, 1.2),
        spine_separation_mm=12.8 + 2.1 * scores["spine_sep"],
        spine_breadth=rng.normal(1.0, 0.12),
        lateral_spine_shift_mm=rng.normal(0.0, 2.4),
        spine_shift_mm=rng.normal(0.0, 1.8),
        medial_wall_deg=8.5 + 3.8 * scores["wall_M"],
        lateral_wall_deg=-9.0 + 8.0 * scores["wall_L"],
        outline_fullness=rng.normal(1.3, 0.15),
        flare=rng.normal(1.0, 0.08),
        growth_plate_mm=_scar(rng),
    )


def _scar(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.4, 1.2)) if rng.random() < 0.5 else 0.0


def _femur(
    rng: np.random.Generator, medial_excess_wear: float, scores: dict[str, float]
) -> FemurParameters:
    return _within(
        FemurParameters,
        medial_overhang_mm=2.2 + 1.15 * scores["fem_corner_dx_M"],
        lateral_overhang_mm=-2.1 + 1.4 * scores["fem_corner_dx_L"],
        medial_contact_mm=rng.normal(0.0, 2.6),
        lateral_contact_mm=rng.normal(0.0, 2.4),
        valgus_deg=rng.normal(5.5 - 5.0 * medial_excess_wear, 2.2),
        flexion_deg=rng.normal(2.0, 3.0),
        condyle_shoulder_mm=rng.normal(5.5, 0.8),
        notch_width_mm=23.0 + 6.2 * scores["notch_w50"],
        notch_height_mm=24.4 + 3.3 * scores["notch_h"],
        notch_slope=rng.normal(1.2, 0.22),
        notch_outlet_mm=rng.normal(3.8, 2.4),
        growth_plate_mm=_scar(rng),
        condyle_crown_per_mm=rng.normal(0.008, 0.002),
        patella_height_mm=rng.normal(0.0, 4.0),
    )


def _cartilage(
    rng: np.random.Generator, wear: tuple[float, float], scores: dict[str, float]
) -> CartilageParameters:
    return _within(
        CartilageParameters,
        tibial_medial_mm=2.1 + 0.5 * scores["tcart_c_M"],
        tibial_lateral_mm=2.75 + 0.6 * scores["tcart_c_L"],
        femoral_mm=rng.normal(2.1, 0.4),
        medial_loss=wear[0] * rng.uniform(0.6, 1.0),
        lateral_loss=wear[1] * rng.uniform(0.6, 1.0),
        contact_gap_mm=rng.exponential(0.3),
    )


def _meniscus(
    rng: np.random.Generator,
    compartment: Compartment,
    wear: float,
    root: RootTear,
    *,
    size: float,
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
    return _within(
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
    return _within(
        TearParameters,
        root=root,
        root_distance_mm=rng.uniform(*distance),
        root_gap_mm=rng.uniform(*gap),
        body=body,
        body_angle_deg=rng.uniform(-70.0, 100.0),
        body_depth=rng.uniform(0.2, 0.7),
        body_gape_mm=rng.uniform(0.5, 2.5),
    )


Choice = TypeVar("Choice")


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

    return _within(
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
    return _within(
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

"""Relaxation times and proton density of the tissues, each with where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from meniscal_measure.workshop.knees.tissue import Tissue


class Pattern(StrEnum):
    """How signal varies inside a tissue."""

    GRAIN = "grain"
    FIBRES = "fibres"
    """Streaks along the leg, as between muscle bundles."""
    SEPTA = "septa"
    """Thin dark walls, as between fat lobules."""


GOLD = "Gold GE et al. AJR 2004;183:343-351 (recalled, not re-read)"
RAUSCHER = "Rauscher I et al. Radiology 2008;249:591-600 (read)"
BONE = "Du J, Bydder GM, ultrashort echo time imaging of cortical bone (recalled, not re-read)"
PLAUSIBLE = "free parameter of the phantom, chosen between its neighbours in the table"


@dataclass(frozen=True)
class Properties:
    """What the scanner needs to know of a tissue; relaxation times at 1.5 T and at 3 T."""

    t1_ms: tuple[float, float]
    t2_ms: tuple[float, float]
    proton_density: float
    """Relative to water: recalled ranges of low confidence, to be taken as free parameters. That of
    marrow lies below fat by the share of trabecular bone in it."""
    source: str
    """Origin of the relaxation times, and whether it was read for this table."""
    fat_fraction: float = 0.0
    """Part of the signal that comes from fat: suppressed and displaced with it."""
    texture: float = 0.04
    """Standard deviation of the signal inside the tissue over its mean (free parameter)."""
    pattern: Pattern = Pattern.GRAIN


_MENISCUS = Properties(
    *((900.0, 900.0), (12.0, 11.4), 0.65),
    source=f"T2 at 3 T healthy: {RAUSCHER}; T1 UTE 800-1000 (recalled); T2 at 1.5 T: {PLAUSIBLE}",
    texture=0.10,
)

PROPERTIES: Mapping[Tissue, Properties] = {
    Tissue.AIR: Properties((1.0, 1.0), (1.0, 1.0), 0.0, "no protons", texture=0),
    Tissue.SKIN: Properties((900.0, 1100.0), (32.0, 28.0), 0.70, PLAUSIBLE),
    Tissue.FAT: Properties(
        *((288.0, 371.0), (165.0, 133.0), 0.95, GOLD),
        fat_fraction=0.97,
        texture=0.05,
        pattern=Pattern.SEPTA,
    ),
    Tissue.MUSCLE: Properties(
        *((1130.0, 1420.0), (35.3, 31.7), 0.78, GOLD),
        fat_fraction=0.03,
        texture=0.09,
        pattern=Pattern.FIBRES,
    ),
    Tissue.MARROW: Properties(
        (288.0, 365.0), (165.0, 133.0), 0.75, GOLD, fat_fraction=0.88, texture=0.07
    ),
    Tissue.MARROW_OEDEMA: Properties(
        (900.0, 1050.0), (75.0, 65.0), 0.90, PLAUSIBLE, fat_fraction=0.30, texture=0.10
    ),
    Tissue.CORTICAL_BONE: Properties((240.0, 240.0), (0.45, 0.40), 0.18, BONE),
    Tissue.CARTILAGE: Properties((1060.0, 1240.0), (42.1, 36.9), 0.75, GOLD, texture=0.06),
    Tissue.MEDIAL_MENISCUS: _MENISCUS,
    Tissue.LATERAL_MENISCUS: _MENISCUS,
    Tissue.TORN_MENISCUS: Properties(
        *((900.0, 900.0), (17.5, 16.6), 0.70),
        source=f"T2 at 3 T of severe osteoarthritis: {RAUSCHER}; the rest {PLAUSIBLE}",
        texture=0.20,
    ),
    Tissue.LIGAMENT: Properties(
        *((750.0, 750.0), (8.0, 7.5), 0.60),
        "middle of recalled ranges 600-900 and 5-10 ms",
        texture=0.12,
    ),
    Tissue.TENDON: Properties(
        (700.0, 700.0), (6.0, 5.5), 0.58, "within recalled ranges 600-900 and 5-10 ms"
    ),
    Tissue.CAPSULE: Properties((950.0, 1100.0), (26.0, 24.0), 0.68, PLAUSIBLE),
    Tissue.FLUID: Properties((2850.0, 3620.0), (1210.0, 767.0), 0.98, GOLD, texture=0.02),
    Tissue.VESSEL: Properties(
        *((1400.0, 1650.0), (130.0, 100.0), 0.30),
        f"{PLAUSIBLE}; density lowered for the flow void of a spin echo",
    ),
    Tissue.TUNNEL: Properties((1100.0, 1300.0), (45.0, 40.0), 0.75, PLAUSIBLE, texture=0.15),
}
"""Properties of every tissue of the knee."""

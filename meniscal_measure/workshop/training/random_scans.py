"""Knees, pulse sequences and scanners drawn at random, over wider ranges than are met."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import RecipeError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.repair import shifted
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.fat_suppression import SuppressionFailure
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.kspace import Motion
from meniscal_measure.workshop.knees.scanner.occupancy import Subsampling
from meniscal_measure.workshop.knees.scanner.protocols import EchoType, Protocol
from meniscal_measure.workshop.knees.scanner.receive import Coil
from meniscal_measure.workshop.knees.scanner.relaxation import PROPERTIES
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan
from meniscal_measure.workshop.knees.scanner.signal import FIELD_STRENGTHS_T, tissue_signals
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue

POPULATION = Population(osteoarthritis=0.35, medial_root_tear=0.3, lateral_root_tear=0.1)
"""Diseased knees are drawn more often than they occur, since they are harder."""
EXTRUSION_MM = (-3.0, 9.5)
"""Extrusions are drawn evenly, so that large ones are not shrunk towards the usual."""
SPIN_ECHO = 0.75
"""Share of spin echoes; the others are gradient echoes."""
LEAST_REPETITION = 6
"""Repetition times are at least so many echo times."""
SIGNAL_SPREAD = 0.25
"""Standard deviation of the logarithm of a tissue's signal from knee to knee."""


@dataclass(frozen=True)
class Severity:
    """How poor the images are."""

    any_contrast: float
    """Share of knees with a contrast that no sequence has."""
    least_snr: float
    """Least signal-to-noise ratio."""
    motion: float
    """Share of knees that moved."""


USUAL = Severity(0.2, 7, 0.15)
MILD = Severity(0.12, 10, 0.08)


def draw_knee(rng: np.random.Generator) -> SyntheticKnee:
    """Draw a knee whose menisci are extruded by anything."""
    parameters = draw_parameters(rng, POPULATION)
    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        wanted = rng.uniform(*EXTRUSION_MM) - parameters.meniscus(compartment).body_extrusion_mm
        parameters = _moved(parameters, compartment, wanted)
    return SyntheticKnee(parameters)


def _moved(parameters: KneeParameters, compartment: Compartment, by_mm: float) -> KneeParameters:
    try:
        return shifted(parameters, compartment, by_mm)
    except RecipeError:
        return parameters  # this meniscus keeps the extrusion that it was drawn with


def draw_protocol(rng: np.random.Generator) -> Protocol:
    """Draw the timing of a spin or a gradient echo."""
    spin = rng.random() < SPIN_ECHO
    echo_ms = rng.uniform(8, 85) if spin else rng.uniform(3, 16)
    repetition_ms = np.exp(rng.uniform(*np.log((400, 5500) if spin else (9, 700))))
    return Protocol(
        *("drawn", "PROTON_DENSITY"),
        echo_type=EchoType.SPIN_ECHO if spin else EchoType.GRADIENT_ECHO,
        repetition_time_ms=float(max(repetition_ms, LEAST_REPETITION * echo_ms)),
        echo_time_ms=float(echo_ms),
        flip_angle_deg=180.0 if spin else float(rng.uniform(8, 70)),
        echo_train_length=1,
        fat_suppressed=bool(rng.random() < (0.5 if spin else 0.7)),
        bandwidth_hz_per_px=float(rng.uniform(110, 500)),
        source="drawn",
    )


def draw_signals(
    rng: np.random.Generator, protocol: Protocol, field_t: float, severity: Severity = USUAL
) -> FloatArray:
    """Draw water and fat part of every tissue, shape (2, tissues)."""
    water, fat = tissue_signals(protocol, field_t)
    total = (water + fat) * np.exp(rng.normal(0, SIGNAL_SPREAD, len(Tissue)))
    if rng.random() < severity.any_contrast:
        total = rng.uniform(0.02, 1, len(Tissue))
    share = np.array([PROPERTIES[tissue].fat_fraction for tissue in Tissue])
    total[Tissue.AIR] = 0
    return np.stack([total * (1 - share), total * share])


def draw_scanner(rng: np.random.Generator, pixel_mm: float, severity: Severity = USUAL) -> Scanner:
    """Draw what is imperfect about the scanner."""
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    failure = SuppressionFailure(float(rng.uniform(0.2, 1)), tuple(direction))
    return Scanner(
        field_strength_t=float(rng.choice(FIELD_STRENGTHS_T)),
        snr=float(np.exp(rng.uniform(np.log(severity.least_snr), np.log(80)))),
        matrix_fraction=(float(rng.uniform(0.6, 1)), float(rng.uniform(0.8, 1))),
        ringing_filter=float(rng.uniform(0, 0.8)),
        coil=Coil(int(rng.choice([1, 4])), falloff=float(rng.uniform(0, 0.8))),
        motion=Motion(rng.uniform(0.1, 0.8), rng.uniform(3, 30))
        if rng.random() < severity.motion
        else None,
        failure=failure if rng.random() < 0.2 else None,
        texture=float(rng.uniform(0.3, 1.8)),
        subsampling=Subsampling(1 if pixel_mm < 0.5 else 2, int(rng.integers(2, 5))),
    )


def scanned(
    rng: np.random.Generator, knee: SyntheticKnee, plan: StackPlan, severity: Severity = USUAL
) -> ScannedStack:
    """Image a knee under a sequence and on a scanner drawn at random."""
    protocol = draw_protocol(rng)
    scanner = draw_scanner(rng, plan.row_spacing_mm, severity)
    signals = draw_signals(rng, protocol, scanner.field_strength_t, severity)
    seeds = int(rng.integers(2**31)), int(rng.integers(2**31))
    return scan(knee, plan, protocol, scanner=scanner, seeds=seeds, signals=signals)

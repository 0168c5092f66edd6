"""The anatomy falls in published ranges; the source stands beside each."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import PixelGrid, unit_vector
from meniscal_measure.workshop.knees.parameters import (
    CartilageParameters,
    KneeParameters,
    Sex,
    TibiaParameters,
)
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tibia import RIM_TURN_DEG

HEALTHY = Population(
    osteoarthritis=0.0, medial_root_tear=0.0, lateral_root_tear=0.0, other_tear=0.0
)
COUNT = 100
"""Knees drawn for a mean; the standard error of a mean is a tenth of the spread."""

RIM_INSET = 1.0 - math.cos(math.radians(RIM_TURN_DEG))
"""How far the rim lies inside the side wall, in radii of its turn."""

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL


def mid_slice(knee: SyntheticKnee) -> PixelGrid:
    y_mm = knee.mid_coronal.plateau_midpoint[1]
    return PixelGrid((-80.0, y_mm, 80.0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 321, 321)


@dataclass(frozen=True)
class Widths:
    """One compartment on the middle slice, along the line from rim to rim, mm."""

    plateau: float
    body: float
    overlap: float
    extrusion: float


def widths_of(
    landmarks: dict[Compartment, dict[Landmark, tuple[float, float, float]]],
    compartment: Compartment,
) -> Widths:
    rim, base, edge, tip = (
        np.array(landmarks[compartment][name])
        for name in (Landmark.RIM, Landmark.SPINE_BASE, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)
    )
    axis = unit_vector(rim - np.array(landmarks[compartment.opposite][Landmark.RIM]))
    spans = (rim - base, edge - tip, rim - tip, edge - rim)
    return Widths(*(float(span @ axis) for span in spans))


@pytest.fixture(scope="module")
def healthy() -> list[SyntheticKnee]:
    rng = np.random.default_rng(7)
    return [SyntheticKnee(draw_parameters(rng, HEALTHY)) for _ in range(COUNT)]


@pytest.fixture(scope="module")
def widths(healthy: list[SyntheticKnee]) -> dict[Compartment, list[Widths]]:
    found = [knee.landmarks_on(mid_slice(knee)) or {} for knee in healthy]
    return {
        compartment: [widths_of(landmarks, compartment) for landmarks in found]
        for compartment in (MEDIAL, LATERAL)
    }


def test_whole_plateau_width(healthy: list[SyntheticKnee]) -> None:
    """73.36 +- 6.86 mm, ratio to depth 1.58 +- 0.11 (abjs.mums.ac.ir/article_12492, n = 132)."""
    angles = np.linspace(-math.pi, math.pi, 721)
    widths, ratios = [], []
    for knee in healthy:
        rims = [knee.tibia.rim(compartment, angles) for compartment in (MEDIAL, LATERAL)]
        us, ys = (np.concatenate([rim[axis] for rim in rims]) for axis in (0, 1))
        widths.append(np.ptp(us) + 2.0 * knee.tibia.rim_radius * RIM_INSET)
        ratios.append(np.ptp(us) / np.ptp(ys))
    assert np.mean(widths) == pytest.approx(73.36, abs=2.0)
    assert np.std(widths) == pytest.approx(6.86, abs=2.5)
    assert np.mean(ratios) == pytest.approx(1.58, abs=0.11)


@pytest.mark.parametrize(
    ("compartment", "sex", "mean_mm", "sd_mm"),
    [
        (MEDIAL, Sex.FEMALE, 29.0, 2.7),
        (MEDIAL, Sex.MALE, 33.0, 2.0),
        (LATERAL, Sex.FEMALE, 31.0, 2.1),
        (LATERAL, Sex.MALE, 34.8, 2.4),
    ],
)
def test_width_of_each_plateau(
    healthy: list[SyntheticKnee],
    widths: dict[Compartment, list[Widths]],
    compartment: Compartment,
    sex: Sex,
    mean_mm: float,
    sd_mm: float,
) -> None:
    """Bone Joint J suppl. 92-B SUPP IV 536a."""
    pairs = zip(healthy, widths[compartment], strict=True)
    plateaus = [found.plateau for knee, found in pairs if knee.parameters.sex is sex]
    assert np.mean(plateaus) == pytest.approx(mean_mm, abs=1.2 * sd_mm)


def test_body_width(widths: dict[Compartment, list[Widths]]) -> None:
    """Medial 9.2 mm (Furumatsu 2017) to 11.7 mm, lateral 10.4 mm (Bruns 2014)."""
    assert 9.2 <= np.mean([found.body for found in widths[MEDIAL]]) <= 11.7
    lateral = np.mean([found.body for found in widths[LATERAL]])
    assert lateral == pytest.approx(10.4, abs=0.7)


@pytest.mark.parametrize(
    ("compartment", "mean", "sd"), [(MEDIAL, 0.344, 0.119), (LATERAL, 0.310, 0.077)]
)
def test_coverage_on_the_middle_slice(
    widths: dict[Compartment, list[Widths]], compartment: Compartment, mean: float, sd: float
) -> None:
    """Coverage by width in one slice, Bruns 2014, BMC Musculoskelet Disord 15:32."""
    coverage = np.mean([found.overlap / found.plateau for found in widths[compartment]])
    assert coverage == pytest.approx(mean, abs=sd)


@pytest.mark.parametrize(
    ("compartment", "mean_mm", "sd_mm"), [(MEDIAL, 1.64, 0.92), (LATERAL, 0.63, 0.73)]
)
def test_extrusion_of_healthy_knees(
    widths: dict[Compartment, list[Widths]], compartment: Compartment, mean_mm: float, sd_mm: float
) -> None:
    """Mid-coronal, 118 knees, Bruns 2014."""
    values = [found.extrusion for found in widths[compartment]]
    assert np.mean(values) == pytest.approx(mean_mm, abs=0.35)
    assert np.std(values) == pytest.approx(sd_mm, abs=0.25)


def test_a_root_tear_adds_to_the_extrusion() -> None:
    """+2.13 mm against no tear (Fong 2023, Orthop J Sports Med 11(3))."""
    rng = np.random.default_rng(11)
    torn = Population(osteoarthritis=0.0, medial_root_tear=1.0, other_tear=0.0)
    means = [
        np.mean(
            [
                SyntheticKnee(draw_parameters(rng, population)).parameters.medial.body_extrusion_mm
                for _ in range(COUNT)
            ]
        )
        for population in (torn, HEALTHY)
    ]
    assert means[0] - means[1] == pytest.approx(2.13, abs=0.4)


@pytest.mark.parametrize(
    ("compartment", "end", "backward_mm", "lateral_mm", "tolerance_mm"),
    [
        # Johannsen 2012, Am J Sports Med 40:2342-2347 (quoted from memory).
        (MEDIAL, "posterior", 9.6, 0.7, 0.5),
        (LATERAL, "posterior", 1.5, -4.2, 0.5),
        # 30 cadaver knees: 25.40 +- 5.27 anterior and 3.01 +- 0.86 lateral of the medial apex.
        (MEDIAL, "anterior", -25.4, 3.01, 1.0),
        # 30 cadaver knees: 12.97 +- 2.92 anterior and 1.31 +- 0.22 lateral of the lateral apex.
        (LATERAL, "anterior", -12.97, 1.31, 1.0),
    ],
)
def test_footprints_lie_where_published(
    compartment: Compartment,
    end: str,
    backward_mm: float,
    lateral_mm: float,
    tolerance_mm: float,
) -> None:
    knee = SyntheticKnee(KneeParameters())
    root = knee.roots[compartment, end]
    apex_u, apex_y = knee.tibia.apex(compartment)
    u, y = root[0] * knee.mirror, root[1]
    assert y - apex_y == pytest.approx(backward_mm, abs=tolerance_mm)
    assert apex_u - u == pytest.approx(lateral_mm, abs=tolerance_mm)


def test_slopes_are_those_asked_for() -> None:
    """The medial rim falls backwards by the medial slope (definition of posterior slope)."""
    shape = TibiaParameters(medial_slope_deg=8.0, coronal_slope_deg=0.0)
    tibia = SyntheticKnee(replace(KneeParameters(), tibia=shape)).tibia
    ys = np.array([-22.0, 22.0])
    front, back = tibia.medial.height(np.full(2, tibia.medial.centre_u), ys)
    assert math.degrees(math.atan2(front - back, 44.0)) == pytest.approx(8.0, abs=0.1)


def test_the_femur_rests_on_the_tibia() -> None:
    cartilage = CartilageParameters(contact_gap_mm=0.6, medial_loss=0.5)
    knee = SyntheticKnee(replace(KneeParameters(), cartilage=cartilage))
    for compartment in (MEDIAL, LATERAL):
        condyle = knee.femur.condyle(compartment)
        u, y = np.meshgrid(condyle.u + np.linspace(-8, 8, 33), np.linspace(-15, 15, 61))
        z = knee.tibia.articular_height(u, y)
        nearest_mm = np.min(condyle.layers_at(u, y, z)[1])
        assert nearest_mm == pytest.approx(0.6, abs=0.05)


def test_the_lateral_meniscus_is_nearly_a_circle_and_the_medial_one_a_c() -> None:
    """The roots of the lateral meniscus lie much closer to each other (textbook anatomy)."""
    roots = SyntheticKnee(KneeParameters()).roots
    gaps = {
        compartment: np.linalg.norm(
            np.subtract(roots[compartment, "anterior"], roots[compartment, "posterior"])
        )
        for compartment in (MEDIAL, LATERAL)
    }
    assert gaps[LATERAL] < 17.0
    assert gaps[MEDIAL] > 30.0

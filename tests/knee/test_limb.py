"""Alignment of the leg: closed-form legs, complex numbers as a second way, published ranges."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiPoint, Point, affinity

from meniscal_measure.errors import LandmarkError
from meniscal_measure.knee.limb import LimbLandmark, LimbMeasure, limb_measures
from meniscal_measure.knee.limb_part import limb_part
from meniscal_measure.knee.projection import Calibration, ProjectionScale

FEMUR_MM, TIBIA_MM, GAP_MM, HALF_LINE_MM = 430.0, 360.0, 5.0, 24.0
MM = ProjectionScale(1.0, 1.0, Calibration.FIDUCIAL)


def leg(
    lateral_femoral_deg: float = 87.0, medial_tibial_deg: float = 87.0, convergence_deg: float = 0.0
) -> dict[LimbLandmark, tuple[float, float]]:
    """Lay a leg out from its joint angles: hip at the origin, x medial, y down, mm."""
    knee = complex(0, FEMUR_MM)
    # the lateral direction makes the femoral angle with the upward axis
    femoral_medial = -cmath.rect(1, math.radians(-90 - lateral_femoral_deg))
    tibial_medial = femoral_medial * cmath.rect(1, math.radians(-convergence_deg))
    tibia = tibial_medial * cmath.rect(1, math.radians(medial_tibial_deg))
    tibial_knee = knee + GAP_MM * tibia
    points = {
        LimbLandmark.HIP_CENTRE: 0j,
        LimbLandmark.FEMORAL_KNEE_CENTRE: knee,
        LimbLandmark.TIBIAL_KNEE_CENTRE: tibial_knee,
        LimbLandmark.ANKLE_CENTRE: tibial_knee + TIBIA_MM * tibia,
        LimbLandmark.FEMORAL_LINE_MEDIAL: knee + HALF_LINE_MM * femoral_medial,
        LimbLandmark.FEMORAL_LINE_LATERAL: knee - HALF_LINE_MM * femoral_medial,
        LimbLandmark.TIBIAL_LINE_MEDIAL: tibial_knee + HALF_LINE_MM * tibial_medial,
        LimbLandmark.TIBIAL_LINE_LATERAL: tibial_knee - HALF_LINE_MM * tibial_medial,
    }
    return {name: (point.real, point.imag) for name, point in points.items()}


def measured(places: dict[LimbLandmark, tuple[float, float]]) -> dict[LimbMeasure, float]:
    found = limb_measures({name: np.array(place) for name, place in places.items()})
    return {name: float(value) for name, value in found.items()}


@given(
    femoral=st.floats(70, 105),
    tibial=st.floats(70, 105),
    convergence=st.floats(-8, 8),
    turn_deg=st.floats(-180, 180),
    mirrored=st.booleans(),
    pixel_mm=st.tuples(st.floats(0.1, 0.4), st.floats(0.1, 0.4)),
)
def test_a_leg_gives_back_the_angles_it_was_made_from(
    femoral: float,
    tibial: float,
    convergence: float,
    turn_deg: float,
    mirrored: bool,
    pixel_mm: tuple[float, float],
) -> None:
    turn = cmath.rect(1, math.radians(turn_deg))
    scale = ProjectionScale(*pixel_mm, Calibration.NONE)
    pixels = {}
    for name, (x, y) in leg(femoral, tibial, convergence).items():
        place = turn * complex(-x if mirrored else x, y)
        pixels[name] = (place.real / scale.column_mm, place.imag / scale.row_mm)
    found = {q.name: q.value for q in limb_part(pixels, scale).quantities}
    assert found[LimbMeasure.LATERAL_DISTAL_FEMORAL] == pytest.approx(femoral, abs=1e-6)
    assert found[LimbMeasure.MEDIAL_PROXIMAL_TIBIAL] == pytest.approx(tibial, abs=1e-6)
    assert found[LimbMeasure.JOINT_LINE_CONVERGENCE] == pytest.approx(convergence, abs=1e-6)
    varus = femoral - tibial + convergence
    assert found[LimbMeasure.VARUS] == pytest.approx(varus, abs=1e-6)
    assert found[LimbMeasure.HIP_KNEE_ANKLE] == pytest.approx(180 - varus, abs=1e-6)


def test_the_usual_leg_lies_in_the_published_ranges() -> None:
    """Both joint angles 87 degrees, joint lines parallel: a straight leg, the load through the
    knee centre. 1.3 degrees of varus give the deviation of 1 to 15 mm (Paley 2002, from memory)."""
    assert measured(leg())[LimbMeasure.HIP_KNEE_ANKLE] == pytest.approx(180.0)
    assert measured(leg())[LimbMeasure.AXIS_DEVIATION] == pytest.approx(0.0, abs=1e-9)
    varus = measured(leg(lateral_femoral_deg=88.3))
    assert varus[LimbMeasure.VARUS] == pytest.approx(1.3)
    assert 1.0 < varus[LimbMeasure.AXIS_DEVIATION] < 15.0


@given(varus=st.floats(-15, 15))
def test_the_axis_deviation_is_the_height_of_the_triangle(varus: float) -> None:
    """Heron's formula, which knows no coordinates: twice the area over the hip-ankle line."""
    places = leg(lateral_femoral_deg=87.0 + varus)
    hip, knee, ankle = (
        np.array(places[name])
        for name in (
            LimbLandmark.HIP_CENTRE,
            LimbLandmark.TIBIAL_KNEE_CENTRE,
            LimbLandmark.ANKLE_CENTRE,
        )
    )
    a, b, c = math.dist(hip, knee), math.dist(knee, ankle), math.dist(hip, ankle)
    s = (a + b + c) / 2
    height = 2 * math.sqrt(max(s * (s - a) * (s - b) * (s - c), 0.0)) / c
    deviation = measured(places)[LimbMeasure.AXIS_DEVIATION]
    assert abs(deviation) == pytest.approx(height, abs=1e-3)
    assert deviation * varus >= -1e-9, "in varus the load passes medially"


def test_a_length_is_given_only_on_a_calibrated_radiograph() -> None:
    names = [q.name for q in limb_part(leg(), MM).quantities]
    assert LimbMeasure.AXIS_DEVIATION in names
    part = limb_part(leg(), ProjectionScale(1.0, 1.0, Calibration.DETECTOR))
    assert LimbMeasure.AXIS_DEVIATION not in [q.name for q in part.quantities]
    assert "MAGNIFICATION UNKNOWN" in part.gaps[0]


def test_uncertainty_follows_from_the_placement_of_the_landmarks() -> None:
    """An axis of 360 mm between two points of 3 mm each way: sqrt(2) x 3 / 360 rad; and so for the
    femur. Both axes make the hip-knee-ankle angle."""
    part = limb_part(leg(), MM, sd_px=3.0)
    found = next(q for q in part.quantities if q.name == LimbMeasure.HIP_KNEE_ANKLE)
    expected = math.degrees(math.hypot(*(math.sqrt(2) * 3 / mm for mm in (FEMUR_MM, TIBIA_MM))))
    assert found.u == pytest.approx(expected, rel=0.01)


def test_what_is_missing_is_named_and_the_rest_is_measured() -> None:
    places = leg()
    del places[LimbLandmark.ANKLE_CENTRE]
    part = limb_part(places, MM)
    assert [q.name for q in part.quantities] == [
        LimbMeasure.LATERAL_DISTAL_FEMORAL,
        LimbMeasure.JOINT_LINE_CONVERGENCE,
    ]
    assert part.gaps[0].startswith("Place ankle_centre for: hip-knee-ankle angle, varus")


@given(convergence=st.floats(-8, 8), turn_deg=st.floats(-180, 180), mirrored=st.booleans())
def test_a_radiograph_of_the_knee_alone_gives_the_convergence_of_its_lines(
    convergence: float, turn_deg: float, mirrored: bool
) -> None:
    turn = cmath.rect(1, math.radians(turn_deg))
    lines = {}
    for name, (x, y) in leg(convergence_deg=convergence).items():
        if "line" in name:
            place = turn * complex(-x if mirrored else x, y)
            lines[name] = place.real, place.imag
    (found,) = limb_part(lines, MM).quantities
    assert found.name == LimbMeasure.JOINT_LINE_CONVERGENCE
    assert found.value == pytest.approx(convergence, abs=1e-6)


def test_without_landmarks_nothing_is_measured() -> None:
    assert limb_part({}, MM).quantities == ()


def test_exchanged_landmarks_are_refused() -> None:
    places = leg()
    places[LimbLandmark.ANKLE_CENTRE] = places[LimbLandmark.HIP_CENTRE]
    with pytest.raises(LandmarkError, match="not in a row"):
        limb_part(places, MM)


def test_a_line_between_two_landmarks_on_one_place_is_refused() -> None:
    places = leg()
    places[LimbLandmark.TIBIAL_LINE_MEDIAL] = places[LimbLandmark.TIBIAL_LINE_LATERAL]
    with pytest.raises(LandmarkError, match="tibial_line_lateral and tibial_line_medial coincide"):
        limb_part(places, MM)


@given(
    femoral=st.floats(75, 100),
    tibial=st.floats(75, 100),
    convergence=st.floats(-6, 6),
    turn=st.floats(-180, 180),
)
def test_angles_between_lines_are_those_of_shapely(
    femoral: float, tibial: float, convergence: float, turn: float
) -> None:
    """A second opinion: the leg turned by shapely, angles between its lines from their azimuths."""
    places = leg(femoral, tibial, convergence)
    turned = affinity.rotate(MultiPoint(list(places.values())), turn, origin=(0, 0))
    at = dict(zip(places, (np.array(point.coords[0]) for point in turned.geoms), strict=True))

    def azimuth_deg(start: LimbLandmark, end: LimbLandmark) -> float:
        return math.degrees(math.atan2(*(at[end] - at[start])[::-1]))

    hip_knee = azimuth_deg(LimbLandmark.FEMORAL_KNEE_CENTRE, LimbLandmark.HIP_CENTRE)
    knee_ankle = azimuth_deg(LimbLandmark.TIBIAL_KNEE_CENTRE, LimbLandmark.ANKLE_CENTRE)
    between = abs((hip_knee - knee_ankle + 180) % 360 - 180)
    found = limb_measures(at)
    deviation = abs(float(found[LimbMeasure.AXIS_DEVIATION]))
    assert 180 - abs(180 - found[LimbMeasure.HIP_KNEE_ANKLE]) == pytest.approx(between, abs=1e-6)
    load = LineString([at[LimbLandmark.HIP_CENTRE], at[LimbLandmark.ANKLE_CENTRE]])
    assert deviation == pytest.approx(load.distance(Point(at[LimbLandmark.TIBIAL_KNEE_CENTRE])))

"""Tunnels against closed forms and against scipy on random configurations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from meniscal_measure.anatomy import Side
from meniscal_measure.geometry import Vector
from meniscal_measure.knee.tibial_axes import PATIENT_SD_DEG, tibial_axes
from meniscal_measure.knee.tunnel import (
    distance_to_other_tunnel,
    segment_distance,
    tunnel_quantities,
)
from tests.knee.phantom_landmarks import landmark, space

AXES = tibial_axes(space(), Side.RIGHT)
coordinates = st.floats(-40, 40).map(lambda value: round(value, 3))
points = st.tuples(coordinates, coordinates, coordinates)


@given(length_mm=st.floats(20, 60), angle_deg=st.floats(5, 85), turn_deg=st.floats(-180, 180))
def test_length_and_angle_of_a_tunnel_built_with_them(
    length_mm: float, angle_deg: float, turn_deg: float
) -> None:
    rise, turn = math.radians(angle_deg), math.radians(turn_deg)
    flat = length_mm * math.cos(rise)
    end = (flat * math.cos(turn), flat * math.sin(turn), length_mm * math.sin(rise))
    entry, exit_ = landmark("a", (0.0, 0.0, 0.0), sd_mm=0.5, sd_across_mm=0.5), landmark("b", end)
    found = {q.name: q for q in tunnel_quantities(entry, exit_, AXES, 6.0)}
    assert found["tunnel length"].value == pytest.approx(length_mm)
    assert found["tunnel length"].u == pytest.approx(0.5, rel=1e-3)
    angle = found["tunnel angle to the plateau"]
    assert angle.value == pytest.approx(angle_deg)
    assert angle.u == pytest.approx(
        math.hypot(PATIENT_SD_DEG, math.degrees(0.5 / length_mm)), rel=0.02
    )
    bone = found["bone between tunnel wall and plateau surface"]
    assert bone.value == pytest.approx(10 * math.sin(rise) - 3)


@given(a=points, b=points, c=points, d=points)
def test_segment_distance_is_the_minimum_that_scipy_finds(
    a: Vector, b: Vector, c: Vector, d: Vector
) -> None:
    p, q, r, s = (np.array(point) for point in (a, b, c, d))
    assume(np.linalg.norm(q - p) > 1 and np.linalg.norm(s - r) > 1)

    shares = np.column_stack([q - p, r - s])
    best = lsq_linear(shares, r - p, bounds=(0, 1), method="bvls")
    assert segment_distance(p, q, r, s) == pytest.approx(math.sqrt(2 * best.cost), abs=1e-6)


def test_tunnels_that_meet_have_less_than_no_bone_between_them() -> None:
    first = (landmark("a", (-20.0, 0.0, 0.0)), landmark("b", (20.0, 0.0, 0.0)))
    second = (landmark("c", (0.0, -20.0, 4.0)), landmark("d", (0.0, 20.0, 4.0)))
    found = distance_to_other_tunnel(first, second, (6.0, 10.0))
    assert found.value == pytest.approx(4.0 - 8.0)

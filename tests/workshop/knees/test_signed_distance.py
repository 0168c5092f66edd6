"""Signed distances against elementary geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.workshop.knees.layers import Raster
from meniscal_measure.workshop.knees.signed_distance import (
    Cord,
    Oval,
    bump,
    ellipsoid,
    rounded_corner,
    smooth_max,
    smooth_min,
    smoothstep,
    unit_clip,
)

lengths = st.floats(-50.0, 50.0)


@given(x=lengths, y=lengths, z=lengths)
def test_a_round_ellipsoid_is_a_sphere(x: float, y: float, z: float) -> None:
    offset = (np.array([x]), np.array([y]), np.array([z]))
    distance = float(ellipsoid(offset, (10.0, 10.0, 10.0))[0])
    assert distance == pytest.approx(math.hypot(x, y, z) - 10.0, abs=0.02)


@given(x=lengths, y=lengths, z=lengths)
def test_a_cord_is_a_cylinder_with_round_ends(x: float, y: float, z: float) -> None:
    cord = Cord((0.0, 0.0, -20.0), (0.0, 0.0, 20.0), 3.0)
    distance = float(cord.distance(*(np.array([value]) for value in (x, y, z)))[0])
    past = max(abs(z) - 20.0, 0.0)
    assert distance == pytest.approx(math.hypot(x, y, past) - 3.0, abs=1e-3)


def test_a_flattened_cord_is_wider_one_way() -> None:
    cord = Cord((0.0, 0.0, -20.0), (0.0, 0.0, 20.0), 2.0, (1.0, 0.0, 0.0), 3.0)
    zero = np.zeros(1)
    assert cord.distance(np.array([6.0]), zero, zero)[0] == pytest.approx(0.0, abs=1e-3)
    assert cord.distance(zero, np.array([2.0]), zero)[0] == pytest.approx(0.0, abs=1e-3)


@given(angle=st.floats(-math.pi, math.pi))
def test_an_oval_of_quarter_ellipses(angle: float) -> None:
    oval = Oval(16.0, 19.0, 23.0, 22.0)
    p, q = math.cos(angle), math.sin(angle)
    a, b = (16.0 if p > 0 else 19.0), (23.0 if q > 0 else 22.0)
    reach = 1.0 / math.hypot(p / a, q / b)
    assert float(oval.reach(np.array([p]), np.array([q]))[0]) == pytest.approx(reach, abs=1e-4)
    beyond = oval.beyond(np.array([1.5 * reach * p]), np.array([1.5 * reach * q]))
    assert float(beyond[0]) == pytest.approx(0.5 * reach, abs=1e-4)


def test_an_oval_is_finite_at_its_centre() -> None:
    inside = Oval(16.0, 19.0, 23.0, 22.0).beyond(np.zeros(1, np.float32), np.zeros(1, np.float32))
    assert np.isfinite(inside[0])
    assert inside[0] < -5.0


@given(a=lengths, b=lengths)
def test_blends_are_exact_away_from_the_fillet(a: float, b: float) -> None:
    high, low = (
        float(blend(np.array([a]), np.array([b]), 2.0)[0]) for blend in (smooth_max, smooth_min)
    )
    if abs(a - b) >= 2.0:
        assert (low, high) == (min(a, b), max(a, b))
    else:
        assert low <= min(a, b) <= max(a, b) <= high <= max(a, b) + 0.5


@given(angle=st.floats(0.0, math.pi / 2))
def test_a_rounded_corner_is_a_circle(angle: float) -> None:
    a, b = 2.0 * (math.sin(angle) - 1.0), 2.0 * (math.cos(angle) - 1.0)
    assert float(rounded_corner(np.array([a]), np.array([b]), 2.0)[0]) == pytest.approx(0, abs=1e-9)


@given(t=st.floats(-3.0, 3.0))
def test_steps_and_bumps_are_bounded(t: float) -> None:
    at = np.array([t])
    assert float(unit_clip(at)[0]) == pytest.approx(min(max(t, 0.0), 1.0))
    assert 0.0 <= float(smoothstep(at)[0]) <= 1.0
    assert float(bump(at * at)[0]) == pytest.approx(max(1.0 - t * t, 0.0) ** 2)


def test_a_window_holds_every_point_of_the_box() -> None:
    x, y = np.meshgrid(np.arange(100.0), np.arange(80.0))
    raster = Raster((x, y, np.zeros_like(x)))
    where = raster.window(((30.0, 41.0), (22.5, 23.5), (-1.0, 1.0)))
    assert where is not None
    rows, columns = where
    assert rows.start <= 23 < rows.stop < 60
    assert columns.start <= 30 <= 41 < columns.stop < 70


def test_a_box_beside_the_raster_has_no_window() -> None:
    x, y = np.meshgrid(np.arange(100.0), np.arange(80.0))
    raster = Raster((x, y, np.zeros_like(x)))
    assert raster.window(((300.0, 310.0), (0.0, 9.0), (-1.0, 1.0))) is None

"""The uncertainty engine against the worked example of the GUM and a reference library."""

from __future__ import annotations

import math

import pytest
import uncertainties  # type: ignore[import-untyped]  # it ships no types
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.caliper.uncertainty import (
    Contribution,
    Input,
    combine,
    coverage_factor,
    propagate,
)
from meniscal_measure.geometry import FloatArray

NM = 1e-6
"""A nanometre in mm."""


def end_gauge(x: FloatArray) -> list[FloatArray]:
    """l = lS + d - lS (dalpha theta + alphaS dtheta), JCGM 100:2008 equation (H.2)."""
    standard, difference, alpha, theta, d_alpha, d_theta = x
    return [standard + difference - standard * (d_alpha * theta + alpha * d_theta)]


END_GAUGE_INPUTS = (
    Input("length of the standard", 50.000623, 25 * NM, 18),
    Input("difference", 215 * NM, 9.7 * NM, 25.6),
    Input("expansion of the standard", 11.5e-6, 1.2e-6),
    Input("temperature", -0.1, 0.41),
    Input("difference of expansion", 0.0, 0.58e-6, 50),
    Input("difference of temperature", 0.0, 0.029, 2),
)
"""JCGM 100:2008 H.1, table H.1; values as quoted by independent public test suites."""


def test_end_gauge_example_of_the_gum() -> None:
    (length,) = propagate(end_gauge, END_GAUGE_INPUTS)
    assert length.value == pytest.approx(50.000838, abs=0.5 * NM)
    assert length.u == pytest.approx(32 * NM, abs=0.5 * NM)
    assert math.floor(length.dof) == 16
    # The GUM multiplies the rounded 32 nm: 2.92 x 32 = 93 nm; unrounded it is 92.6 nm.
    assert coverage_factor(length.dof, 0.99) * length.u == pytest.approx(93 * NM, abs=0.6 * NM)


def test_end_gauge_contributions_of_the_gum() -> None:
    (length,) = propagate(end_gauge, END_GAUGE_INPUTS)
    in_nm = [abs(part.u) / NM for part in length.contributions]
    assert in_nm == pytest.approx([25, 9.7, 0, 0, 2.9, 16.6], abs=0.15)


@pytest.mark.parametrize(
    ("dof", "probability", "t"),
    # Student's t for coverage, JCGM 100:2008 table G.2 (quoted from memory).
    [(1, 0.95, 12.71), (5, 0.95, 2.57), (10, 0.95, 2.23), (16, 0.99, 2.92), (math.inf, 0.95, 1.96)],
)
def test_coverage_factors_of_the_gum_table(dof: float, probability: float, t: float) -> None:
    assert coverage_factor(dof, probability) == pytest.approx(t, abs=0.005)


def test_degrees_of_freedom_are_cut_down_to_a_whole_number() -> None:
    assert coverage_factor(16.99) == coverage_factor(16)


def test_infinite_degrees_of_freedom_stay_infinite() -> None:
    assert math.isinf(combine(1.0, [Contribution("a", 0.1), Contribution("b", 0.2)]).dof)


def test_a_deviation_beyond_all_measure_stays_a_number() -> None:
    found = combine(1.0, [Contribution("a", 1e200), Contribution("b", 0.2, 5)])
    assert found.u == 1e200
    assert math.isinf(found.dof)


def test_nothing_uncertain_has_no_degrees_of_freedom_to_lose() -> None:
    assert (combine(1.0, []).u, combine(1.0, []).dof) == (0.0, math.inf)


def test_one_finite_input_keeps_its_degrees_of_freedom() -> None:
    assert combine(1.0, [Contribution("a", 0.1, 7)]).dof == pytest.approx(7)


@given(
    values=st.lists(st.floats(1, 10), min_size=3, max_size=3),
    relative=st.lists(st.floats(1e-5, 1e-3), min_size=3, max_size=3),
)
def test_first_order_agrees_with_the_uncertainties_package(
    values: list[float], relative: list[float]
) -> None:
    inputs = [
        Input(f"x{i}", v, v * r) for i, (v, r) in enumerate(zip(values, relative, strict=True))
    ]
    ours = propagate(lambda x: [x[0] * x[1] / x[2], x[0] - x[1] * x[2], x[0] ** 2], inputs)
    a, b, c = (uncertainties.ufloat(item.estimate, item.u) for item in inputs)
    for result, reference in zip(ours, (a * b / c, a - b * c, a**2), strict=True):
        assert result.value == pytest.approx(reference.nominal_value)
        assert result.u == pytest.approx(reference.std_dev, rel=1e-5)

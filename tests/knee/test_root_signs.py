"""Signs of a torn root on drawn slices: gap, class of a tear, void of the posterior horn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import erf

from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee.answers import Answers, TearForm, answers_from
from meniscal_measure.knee.cleft import cleft_gap
from meniscal_measure.knee.horn_shape import edge_bluntness
from meniscal_measure.knee.horn_signal import horn_quantities, horn_signals
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import Basis, TracedQuantity
from meniscal_measure.knee.root_signs import NO_SUPPORT, sign_lines, sign_support
from meniscal_measure.knee.tear_classes import class_of, classes_within, type_words
from meniscal_measure.knee.tibial_axes import TibialAxes
from tests.knee.phantom_landmarks import landmark, space

FIGURES = published()
TEARS, GAPS = FIGURES.classification["radial_tear"], FIGURES.classification["gap"]


def length(value_mm: float, u_mm: float | None) -> TracedQuantity:
    return TracedQuantity("x", value_mm, "mm", u_mm, Basis.READER)


def band(gap_mm: float, blur_mm: float = 0.4) -> NDArray[np.float32]:
    """A bright band of a known width along x in dark meniscus, blurred; its middle is x = 0."""
    x = -80.0 + 0.5 * np.arange(320)
    inside = (
        erf((x + gap_mm / 2) / blur_mm / 2**0.5) - erf((x - gap_mm / 2) / blur_mm / 2**0.5)
    ) / 2
    noise = np.random.default_rng(1).normal(0, 8, (320, 320))
    return (60 + 400 * inside[None, :] + noise).astype(np.float32)


@settings(max_examples=25)
@given(gap_mm=st.floats(2.0, 9.0), off=st.floats(-0.5, 0.5))
def test_the_gap_of_a_drawn_cleft_is_found_to_a_tenth_of_a_millimetre(
    gap_mm: float, off: float
) -> None:
    first = landmark("cleft_edge_a", (-gap_mm / 2 + off, 0.0, 0.0), sd_mm=0.5)
    second = landmark("cleft_edge_b", (gap_mm / 2 + off, 0.0, 0.0), sd_mm=0.5)
    found = cleft_gap(first, second, band(gap_mm))
    assert found.basis is Basis.PIXELS
    assert found.value == pytest.approx(gap_mm, abs=0.1)


def test_without_edges_the_gap_is_that_of_the_landmarks() -> None:
    first = landmark("cleft_edge_a", (-2.0, 0.0, 0.0), sd_mm=0.5)
    second = landmark("cleft_edge_b", (2.0, 0.0, 0.0), sd_mm=0.5)
    found = cleft_gap(first, second, np.full((320, 320), 100, dtype=np.float32))
    assert found.basis is Basis.READER
    assert found.value == pytest.approx(4.0)
    assert found.u == pytest.approx(np.hypot(0.5 * 2**0.5, 0.1 * 4.0))


@pytest.mark.parametrize("wide_mm", [3.0, 9.0])
def test_a_band_that_ends_elsewhere_than_the_landmarks_is_not_the_gap(wide_mm: float) -> None:
    """Fluid beside the cleft, or a cleft that something else fills in part."""
    first = landmark("cleft_edge_a", (-wide_mm / 2, 0.0, 0.0), sd_mm=0.5)
    second = landmark("cleft_edge_b", (wide_mm / 2 + 3.0, 0.0, 0.0), sd_mm=0.5)
    found = cleft_gap(first, second, band(wide_mm))
    assert found.basis is Basis.READER
    assert found.value == pytest.approx(wide_mm + 3.0)


def test_edges_on_two_slices_are_refused() -> None:
    first = landmark("cleft_edge_a", (-2.0, 0.0, 0.0))
    second = landmark("cleft_edge_b", (2.0, 0.0, 3.0))
    other = replace(second, where=replace(second.where, sop_instance_uid="9.9"))
    with pytest.raises(LandmarkError, match="Place both on one slice"):
        cleft_gap(first, other, band(4.0))


@pytest.mark.parametrize(
    ("value_mm", "name"),
    [(0.4, "2"), (0.5, "3"), (3.4, "3"), (3.5, "4"), (6.4, "4"), (6.5, "5"), (30.0, "5")],
)
def test_gaps_are_graded_after_rounding_to_whole_millimetres(value_mm: float, name: str) -> None:
    assert class_of(value_mm, GAPS) == name


def test_the_uncertainty_says_which_other_classes_are_possible() -> None:
    assert classes_within(length(2.8, 0.3), TEARS) == ("2A", "2B")
    assert classes_within(length(1.0, 0.3), TEARS) == ("2A",)
    assert classes_within(length(8.9, 0.3), TEARS) == ("2C", "beyond the classification")


def test_the_type_follows_the_form_and_the_distance() -> None:
    words = type_words(TearForm.COMPLETE_RADIAL, length(4.0, 0.2), FIGURES)
    assert "attachment: 2B, after LaPrade" in words
    assert "FROM MEMORY" in words
    assert "type 5 (avulsion" in type_words(TearForm.AVULSION, None, FIGURES)


def horn(dark_radius_mm: float) -> NDArray[np.float32]:
    away = np.hypot(*np.meshgrid(*[-80.0 + 0.5 * np.arange(320)] * 2))
    return np.where(away <= dark_radius_mm, 50, 400).astype(np.float32)


def test_a_void_on_the_root_slice_shows_as_signal_and_lost_area() -> None:
    marks = [replace(landmark("posterior_horn", (0.0, 0.0, 0.0)), slice_index=k) for k in range(3)]
    signals = horn_signals(marks, {0: horn(0.0), 1: horn(3.0), 2: horn(3.0)})
    ratio, here, there = horn_quantities(signals)
    assert ratio.value == pytest.approx(8.0, rel=0.05)
    assert here.value <= 0.25
    assert there.value == pytest.approx(np.pi * 9, rel=0.05)


def test_a_whole_horn_differs_in_neither() -> None:
    marks = [replace(landmark("posterior_horn", (0.0, 0.0, 0.0)), slice_index=k) for k in range(3)]
    ratio, here, there = horn_quantities(horn_signals(marks, dict.fromkeys(range(3), horn(3.0))))
    assert ratio.value == pytest.approx(1.0)
    assert here.value == there.value


def triangle(length_mm: float, cut_mm: float) -> NDArray[np.float32]:
    """A dark triangle, 5 mm high at x = 0, that tapers to nothing at x = length and ends at cut."""
    x, y = np.meshgrid(*[-80.0 + 0.5 * np.arange(320)] * 2)
    half_mm = 2.5 * (1 - x / length_mm)
    dark = (x >= 0) & (x <= cut_mm) & (np.abs(y) <= half_mm)
    return np.where(dark, 50, 400).astype(np.float32)


@pytest.mark.parametrize("cut_mm", [4.0, 6.0, 8.0, 10.0])
def test_a_triangle_cut_off_is_blunt_by_how_much_is_missing(cut_mm: float) -> None:
    """Similar triangles: 1 mm before the cut the height is 1 - (cut - 1) / 10 of the largest."""
    outer = landmark("posterior_horn_edge", (0.0, 0.0, 0.0))
    free = landmark("horn_free_edge", (cut_mm, 0.0, 0.0), sd_mm=0.5)
    found = edge_bluntness(outer, free, triangle(10.0, cut_mm))
    assert found.value == pytest.approx(1 - (cut_mm - 1) / 10, abs=0.1)
    assert found.u == pytest.approx(0.05, abs=0.05)


def test_edges_of_a_triangle_on_two_slices_or_on_one_place_are_refused() -> None:
    outer = landmark("posterior_horn_edge", (0.0, 0.0, 0.0))
    with pytest.raises(LandmarkError, match="at least 3 mm"):
        edge_bluntness(outer, landmark("horn_free_edge", (2.0, 0.0, 0.0)), triangle(10, 10))
    free = landmark("horn_free_edge", (9.0, 0.0, 0.0))
    other = replace(free, where=replace(free.where, sop_instance_uid="9.9"))
    with pytest.raises(LandmarkError, match="Place both on one slice"):
        edge_bluntness(outer, other, triangle(10, 10))


def test_only_the_reader_says_that_a_sign_is_present() -> None:
    lines = {line.sign.value: line for line in sign_lines(Answers(), FIGURES)}
    assert {line.seen for line in lines.values()} == {"not answered", "measured"}
    said = answers_from({"sign": {"ghost": {"seen": "present", "by": "reader 1"}}}, "a.toml")
    ghost = next(line for line in sign_lines(said, FIGURES) if line.sign.value == "ghost")
    assert (ghost.seen, ghost.by) == ("present", "reader 1")
    assert "29/30, 95 % 83 to 99" in ghost.performance[0]


def test_without_landmarks_the_sheet_says_that_nothing_was_computed() -> None:
    part = sign_support([], Answers(), published(), lambda _: np.zeros((2, 2), np.float32))
    assert part.quantities == ()
    assert part.gaps == (NO_SUPPORT,)


@pytest.mark.parametrize("turn_deg", [0.0, 10.0, -20.0])
def test_sagittal_extrusion_follows_the_tibia_not_the_patient(turn_deg: float) -> None:
    """An edge 3 mm behind and 4 mm above the margin of a knee turned about the long axis."""
    turn = np.radians(turn_deg)
    lateral = np.array([-np.cos(turn), -np.sin(turn), 0.0])
    posterior = np.array([-np.sin(turn), np.cos(turn), 0.0])
    axes = TibialAxes(lateral, posterior, np.array([0.0, 0.0, 1.0]), 3.0, "as drawn")
    edge = 3.0 * posterior + np.array([0.0, 0.0, 4.0]) + 2.0 * lateral
    marks = space(
        landmark("posterior_plateau_margin", (0.0, 0.0, 0.0)),
        landmark("posterior_horn_edge", as_vector(edge)),
    )
    part = sign_support([(marks, axes)], Answers(), FIGURES, lambda _: horn(3.0))
    (found,) = part.quantities
    assert found.value == pytest.approx(3.0)
    assert found.u == pytest.approx(np.radians(3.0) * np.hypot(2.0, 4.0))

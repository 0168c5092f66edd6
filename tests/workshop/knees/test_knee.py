"""A knee is the same for the same parameters, and its labels follow from its layers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from meniscal_measure.anatomy import Side
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue

Raster = NDArray[np.float32]
WORN = Population(osteoarthritis=0.6, medial_root_tear=0.5, other_tear=0.6)


def drawn(seed: int) -> SyntheticKnee:
    return SyntheticKnee(draw_parameters(np.random.default_rng(seed), WORN))


def oblique(seed: int, count: int = 61, step_mm: float = 2.6) -> NDArray[np.float64]:
    """Lay a raster through the knee in a random direction."""
    rng = np.random.default_rng(seed)
    directions, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    steps = (np.arange(count) - count // 2) * step_mm
    across, down = np.meshgrid(steps, steps)
    middle = rng.uniform(-15.0, 15.0, 3)
    return np.asarray(middle + across[..., None] * directions[0] + down[..., None] * directions[1])


def test_the_same_seed_gives_the_same_knee(slice_points: Callable[..., Raster]) -> None:
    points = slice_points("y", 3.0)
    np.testing.assert_array_equal(drawn(5).tissue_at(points), drawn(5).tissue_at(points))
    assert np.any(drawn(5).tissue_at(points) != drawn(6).tissue_at(points))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_raster_has_the_labels_of_its_points_taken_one_by_one(seed: int) -> None:
    """Nothing is lost by evaluating each part in a window only."""
    knee, raster = drawn(seed), oblique(seed)
    one_by_one = knee.tissue_at(raster.reshape(-1, 3)).reshape(raster.shape[:-1])
    np.testing.assert_array_equal(knee.tissue_at(raster), one_by_one)


def test_a_volume_has_the_labels_of_its_slices(slice_points: Callable[..., Raster]) -> None:
    knee = drawn(1)
    slices = [slice_points("y", y_mm, step_mm=2.0) for y_mm in np.arange(-20.0, 20.0, 4.0)]
    labels = knee.tissue_at(np.stack(slices))
    np.testing.assert_array_equal(labels, [knee.tissue_at(points) for points in slices])


def test_single_precision_changes_next_to_nothing(slice_points: Callable[..., Raster]) -> None:
    points = slice_points("y", 3.0)
    knee = drawn(2)
    assert all(layer.distance_mm.dtype == np.float32 for layer in knee.layers_at(points))
    exact = knee.tissue_at(points.astype(np.float64))
    assert np.mean(knee.tissue_at(points) != exact) < 1e-3


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_left_knee_has_the_labels_of_a_mirrored_right_one(seed: int) -> None:
    raster = oblique(seed)
    right = drawn(seed).parameters
    labels = [
        SyntheticKnee(replace(right, side=side)).tissue_at(raster * [sign, 1.0, 1.0])
        for side, sign in ((Side.RIGHT, 1.0), (Side.LEFT, -1.0))
    ]
    np.testing.assert_array_equal(labels[0], labels[1])


def test_layers_come_back_to_front(slice_points: Callable[..., Raster]) -> None:
    depths = [layer.depth for layer in drawn(3).layers_at(slice_points("x", 20.0))]
    assert depths == sorted(depths)


def test_soft_coverage_agrees_with_hard_labels(slice_points: Callable[..., Raster]) -> None:
    for layer in drawn(3).layers_at(slice_points("z", 2.0)):
        coverage = layer.coverage(0.5)
        assert coverage.min() >= 0.0
        assert coverage.max() <= 1.0
        np.testing.assert_array_equal(coverage > 0.5, layer.distance_mm < 0)


def test_far_away_there_is_air() -> None:
    corners = np.array([[200.0, 0.0, 0.0], [0.0, -150.0, 0.0], [-200.0, 200.0, 50.0]])
    assert set(SyntheticKnee(KneeParameters()).tissue_at(corners)) == {Tissue.AIR}


@pytest.mark.parametrize(
    ("axis", "position_mm", "expected"),
    [
        ("y", 1.5, {Tissue.MEDIAL_MENISCUS, Tissue.LATERAL_MENISCUS, Tissue.LIGAMENT}),
        ("y", -45.0, {Tissue.MARROW, Tissue.TENDON}),  # patella
        ("y", 32.0, {Tissue.VESSEL, Tissue.MUSCLE, Tissue.TENDON}),
        ("x", -30.0, {Tissue.LATERAL_MENISCUS, Tissue.MARROW, Tissue.CARTILAGE}),
        ("z", 60.0, {Tissue.MUSCLE, Tissue.MARROW, Tissue.VESSEL, Tissue.FAT, Tissue.SKIN}),
        ("z", -40.0, {Tissue.MUSCLE, Tissue.MARROW, Tissue.CORTICAL_BONE, Tissue.TENDON}),
    ],
)
def test_each_slice_shows_what_belongs_there(
    slice_points: Callable[..., Raster], axis: str, position_mm: float, expected: set[Tissue]
) -> None:
    labels = SyntheticKnee(KneeParameters()).tissue_at(slice_points(axis, position_mm))
    assert expected <= set(labels.ravel())

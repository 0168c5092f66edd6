"""Training views: landmarks stay on their tissue however contrast, crop and shape change."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.workshop.knees.random_contrast import (
    MODES,
    Bend,
    Randomness,
    RandomView,
    random_views,
)
from meniscal_measure.workshop.knees.tissue import Tissue

MENISCUS = {
    Compartment.MEDIAL: {Tissue.MEDIAL_MENISCUS, Tissue.TORN_MENISCUS},
    Compartment.LATERAL: {Tissue.LATERAL_MENISCUS, Tissue.TORN_MENISCUS},
}


@pytest.fixture(scope="module")
def views() -> list[RandomView]:
    randomness = Randomness(views_per_slice=3)
    return list(islice(random_views(np.random.default_rng(7), randomness), 12))


def around(view: RandomView, place: tuple[float, float], reach_px: float) -> set[int]:
    """Tissues within some pixels of a place."""
    rows, columns = np.indices(view.labels.shape)
    near = np.hypot(columns - place[0], rows - place[1]) <= reach_px
    return {int(code) for code in np.unique(view.labels[near])}


def test_views_have_the_size_asked_for_and_finite_intensities(views: list[RandomView]) -> None:
    for view in views:
        assert view.image.shape == view.labels.shape == (320, 320)
        assert view.image.dtype == np.float32
        assert np.isfinite(view.image).all()
        assert view.image.min() >= 0


@pytest.mark.parametrize("landmark", [Landmark.OUTER_EDGE, Landmark.FREE_EDGE])
def test_the_edges_of_a_meniscus_lie_between_it_and_something_else(
    views: list[RandomView], landmark: Landmark
) -> None:
    for view in views:
        for compartment, points in view.landmarks.items():
            found = around(view, points[landmark], 1.5 + 0.6 / view.pixel_mm)
            assert found & MENISCUS[compartment]
            assert found - MENISCUS[compartment]


def test_rims_lie_on_the_tibia(views: list[RandomView]) -> None:
    bone = {Tissue.CORTICAL_BONE, Tissue.MARROW, Tissue.CARTILAGE}
    for view in views:
        for points in view.landmarks.values():
            assert around(view, points[Landmark.RIM], 2.0 + 1.0 / view.pixel_mm) & bone


def test_medial_lies_to_the_right_of_the_picture_in_a_right_knee(views: list[RandomView]) -> None:
    for view in views:
        medial = view.landmarks[Compartment.MEDIAL][Landmark.OUTER_EDGE][0]
        lateral = view.landmarks[Compartment.LATERAL][Landmark.OUTER_EDGE][0]
        assert np.sign(medial - lateral) == view.mirror


def test_the_same_seed_gives_the_same_views() -> None:
    first, second = (next(random_views(np.random.default_rng(3))) for _ in range(2))
    np.testing.assert_array_equal(first.image, second.image)
    assert first.landmarks == second.landmarks


def test_contrast_says_nothing_about_the_tissue(views: list[RandomView]) -> None:
    """In some views cartilage is brighter than marrow, in others darker."""
    brighter = {
        bool(
            view.image[view.labels == Tissue.CARTILAGE].mean()
            > view.image[view.labels == Tissue.MARROW].mean()
        )
        for view in views
    }
    assert brighter == {True, False}


@given(
    seed=st.integers(0, 1000),
    column=st.floats(0.05, 0.95),
    row=st.floats(0.05, 0.95),
)
def test_a_point_is_shown_where_the_bent_picture_looks_it_up(
    seed: int, column: float, row: float
) -> None:
    """What is shown at p lies at p + displacement(p)."""
    bend = Bend.drawn(np.random.default_rng(seed), 0.02)
    place = np.array([column, row])
    shown = bend.shown_at(place)
    looked_up = shown + bend.displacement(shown[1:], shown[:1])[:, 0, 0]
    np.testing.assert_allclose(looked_up, place, atol=1e-6)


def test_a_bend_displaces_no_further_than_it_may() -> None:
    places = np.linspace(0, 1, 50)
    bend = Bend.drawn(np.random.default_rng(1), 0.02)
    assert bend.weights.shape == (2, MODES, MODES)
    assert np.abs(bend.displacement(places, places)).max() <= 0.02

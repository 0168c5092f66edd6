"""The predicted centre of a root: a phantom built on the published distances gives it back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee.footprint import (
    distance_to_centre,
    footprint_quantities,
    predicted_centres,
)
from meniscal_measure.knee.published import RootOffset, published
from meniscal_measure.knee.tibial_axes import PATIENT_SD_DEG, tibial_axes
from tests.knee.phantom_landmarks import landmark, space

FIGURES = published()
angles = st.floats(-20, 20)
sides = st.sampled_from(Side)


def turned(side: Side, turn_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Lateral and posterior direction of a tibia that is turned about its long axis."""
    turn = math.radians(turn_deg)
    lateral = -side.medial_x * np.array([math.cos(turn), math.sin(turn), 0])
    posterior = np.array([-math.sin(turn), math.cos(turn), 0])
    return lateral, posterior


@given(side=sides, turn_deg=angles, root=st.sampled_from(FIGURES.footprint))
def test_a_tibia_built_on_published_distances_gives_them_back(
    side: Side, turn_deg: float, root: RootOffset
) -> None:
    lateral, posterior = turned(side, turn_deg)
    apex = np.array([3.0, -7.0, 11.0])
    truth = apex + root.posterior_mm * posterior + root.lateral_mm * lateral
    marks = space(
        landmark(root.apex, as_vector(apex)),
        landmark("medial_plateau_rim", as_vector(apex - 35 * lateral)),
        landmark("lateral_plateau_rim", as_vector(apex + 35 * lateral)),
    )
    axes = tibial_axes(marks, side)
    centres = {c.offset.source: c for c in predicted_centres(root.root, marks, axes, FIGURES)}
    assert centres[root.source].point_mm == pytest.approx(truth, abs=1e-9)


def test_conflicting_sources_give_two_centres_and_their_distance() -> None:
    """Johannsen 2012 (from memory) against the 30 cadaver knees: 2.13 mm and 2.07 mm apart."""
    marks = space(landmark("medial_eminence_apex", (0.0, 0.0, 0.0)))
    axes = tibial_axes(marks, Side.RIGHT)
    centres = predicted_centres("medial_posterior", marks, axes, FIGURES)
    found = {q.name: q for q in footprint_quantities(centres, marks, axes)}
    apart = found["distance between the published centres"]
    assert apart.value == pytest.approx(math.hypot(11.73 - 9.6, 2.77 - 0.7))


def test_a_series_without_spread_claims_no_uncertainty() -> None:
    marks = space(landmark("medial_eminence_apex", (0.0, 0.0, 0.0)))
    axes = tibial_axes(marks, Side.RIGHT)
    first, second = predicted_centres("medial_posterior", marks, axes, FIGURES)
    assert first.u_along(axes.posterior) is None
    turn_mm = 2.77 * math.radians(PATIENT_SD_DEG)
    u = second.u_along(axes.posterior)
    assert u == pytest.approx(math.hypot(3.10, turn_mm))


def test_the_spread_of_specimens_and_of_the_landmark_add_in_quadrature() -> None:
    marks = space(landmark("medial_eminence_apex", (0.0, 0.0, 0.0), sd_mm=0.5))
    axes = tibial_axes(marks, Side.RIGHT)
    _, second = predicted_centres("medial_posterior", marks, axes, FIGURES)
    expected = math.hypot(3.10, 0.5, 2.77 * math.radians(PATIENT_SD_DEG))
    assert second.u_along(axes.posterior) == pytest.approx(expected)


@given(along=st.floats(-15, 15), across=st.floats(-15, 15), up=st.floats(-5, 5))
def test_the_aperture_is_measured_in_the_plane_of_the_plateau(
    along: float, across: float, up: float
) -> None:
    marks = space(landmark("medial_eminence_apex", (0.0, 0.0, 0.0)))
    axes = tibial_axes(marks, Side.LEFT)
    centre = predicted_centres("medial_posterior", marks, axes, FIGURES)[1]
    point = np.add(centre.point_mm, (along, across, up))
    found = distance_to_centre(landmark("tunnel_aperture", as_vector(point)), centre, axes, "x")
    assert found.value == pytest.approx(math.hypot(along, across), abs=1e-9)


def test_exchanged_rims_are_refused() -> None:
    marks = space(
        landmark("medial_plateau_rim", (-30.0, 0.0, 0.0)),
        landmark("lateral_plateau_rim", (30.0, 0.0, 0.0)),
    )
    with pytest.raises(LandmarkError, match="lies lateral of the lateral one for a right knee"):
        tibial_axes(marks, Side.RIGHT)


def test_the_outline_on_a_slice_is_that_of_the_95_percent_region() -> None:
    marks = space(landmark("medial_eminence_apex", (0.0, 0.0, 0.0)))
    axes = tibial_axes(marks, Side.RIGHT)
    centre = predicted_centres("medial_posterior", marks, axes, FIGURES)[1]
    apex = marks.first("medial_eminence_apex")
    assert apex is not None
    pixel, outline = centre.on_image(apex.grid)
    away_mm = (outline - pixel) * 0.5
    inverse = np.linalg.inv(centre.covariance_mm2[:2, :2])
    assert np.einsum("ni,ij,nj->n", away_mm, inverse, away_mm) == pytest.approx(5.991)

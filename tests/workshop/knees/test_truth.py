"""The analytic landmarks agree with what is found by looking at the labels."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.errors import RecipeError
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector, unit_vector
from meniscal_measure.workshop.knees.compartment import MENISCUS_TISSUES
from meniscal_measure.workshop.knees.parameters import BodyTear, KneeParameters
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.recipe_fields import Ranged
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee, with_extrusion
from meniscal_measure.workshop.knees.tibia import RIM_TURN_DEG
from meniscal_measure.workshop.knees.tissue import Tissue

SAMPLE_MM = 0.06
"""Sampling step of the brute-force search."""

MICROMETRE_MM = 1e-3

GRAZED_MM = 0.1
"""How far a corner beside the inner edge may lie inside where a plane grazes that edge.

Of 1285 menisci of a population 2 had such a corner, both with a radial tear, 0.08 mm at most; of
866 at the ends of all their ranges 4, 0.03 mm at most.
"""

EXTREME_GRAZED_MM = 0.6
"""The same where every number of a knee lies at an end of its range.

Found so far: 0.41 mm, in an example below, at a radial tear; of some 1,700 menisci at least three
had more than `GRAZED_MM`.
"""

EXTREME_EDGE_MM = 0.1
"""How far the outer edge may be missed where every number of a knee lies at an end of its range.

Found so far: 0.05 mm, in the third example below. Knees of a population are held to a micrometre.
"""

ACUTE_CORNER_MM = 5 * SAMPLE_MM
"""How far the raster may fall short of an outer edge that ends in a corner thinner than its steps.

Found so far: 0.11 mm, in the second example below.
"""

WORN = Population(osteoarthritis=0.5, medial_root_tear=0.5, other_tear=0.5)

COMPARTMENTS = (Compartment.MEDIAL, Compartment.LATERAL)


def coronal_grid(y_mm: float, *, turn_deg: float = 0.0, tip_deg: float = 0.0) -> PixelGrid:
    """A plane through (0, y, 0), turned about the long axis and tipped forwards."""
    turn, tip = math.radians(turn_deg), math.radians(tip_deg)
    row = np.array([math.cos(turn), math.sin(turn), 0.0])
    forward = np.array([-math.sin(turn), math.cos(turn), 0.0])
    column = math.sin(tip) * forward - math.cos(tip) * np.array([0.0, 0.0, 1.0])
    corner = np.array([0.0, y_mm, 0.0]) - 80.0 * row - 80.0 * column
    return PixelGrid(as_vector(corner), as_vector(row), as_vector(column), 0.5, 0.5, 321, 321)


planes = st.builds(
    coronal_grid,
    st.floats(-9.0, 10.0),
    turn_deg=st.floats(-18.0, 18.0),
    tip_deg=st.floats(-18.0, 18.0),
)


def anywhere_in_range(rng: np.random.Generator, group: Any) -> Any:
    """Draw every number of a parameter group from the whole of its range."""
    return replace(
        group,
        **{
            item.name: float(rng.uniform(*item.metadata["range"]))
            for item in fields(group)
            if item.metadata
        },
    )


def extreme(seed: int) -> SyntheticKnee:
    rng = np.random.default_rng(seed)
    drawn = draw_parameters(rng, WORN)
    groups = {item.name: getattr(drawn, item.name) for item in fields(drawn)}
    changed = {
        name: anywhere_in_range(rng, group)
        for name, group in groups.items()
        if isinstance(group, Ranged)
    }
    return SyntheticKnee(replace(drawn, **changed))


def drawn(seed: int) -> SyntheticKnee:
    return SyntheticKnee(draw_parameters(np.random.default_rng(seed), WORN))


seeds = st.integers(0, 10_000)
knees = st.one_of(seeds.map(drawn), seeds.map(extreme))
"""Knees of a population, and knees whose every number may lie at the end of its range."""


def points_about(grid: PixelGrid, point: FloatArray, half_mm: float) -> FloatArray:
    """A fine raster in the plane of a grid about a point."""
    steps = np.arange(-half_mm, half_mm, SAMPLE_MM)
    across, down = np.meshgrid(steps, steps)
    return np.asarray(
        point + across[..., None] * grid.row_direction + down[..., None] * grid.column_direction,
        dtype=np.float64,
    )


def outward(
    landmarks: dict[Compartment, dict[Landmark, tuple[float, float, float]]],
    compartment: Compartment,
) -> FloatArray:
    rim = np.array(landmarks[compartment][Landmark.RIM])
    return unit_vector(rim - np.array(landmarks[compartment.opposite][Landmark.RIM]))


@settings(max_examples=20, deadline=None)
@given(knee=seeds.map(drawn), grid=planes)
def test_no_labelled_meniscus_lies_beyond_the_outer_edge_and_some_reaches_it(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for beyond_mm in beyond_edges(knee, grid):
        assert -1.5 * SAMPLE_MM <= beyond_mm <= MICROMETRE_MM


@settings(max_examples=20, deadline=None)
@given(knee=seeds.map(extreme), grid=planes)
@example(knee=extreme(6709), grid=coronal_grid(0.0, turn_deg=3.0, tip_deg=3.0))
@example(knee=extreme(507), grid=coronal_grid(0.0, turn_deg=0.0, tip_deg=6.0))
@example(knee=extreme(8350), grid=coronal_grid(-2.605, turn_deg=15.982, tip_deg=13.263))
def test_the_outer_edge_of_an_extreme_knee_is_missed_by_a_corner_at_most(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for beyond_mm in beyond_edges(knee, grid):
        assert -ACUTE_CORNER_MM <= beyond_mm <= EXTREME_EDGE_MM


def beyond_edges(knee: SyntheticKnee, grid: PixelGrid) -> Iterator[float]:
    """How far the outermost labelled meniscus near each outer edge lies outward of it, mm."""
    landmarks = knee.landmarks_on(grid) or {}
    for compartment, points in landmarks.items():
        if Landmark.OUTER_EDGE not in points:
            continue
        edge, axis = np.array(points[Landmark.OUTER_EDGE]), outward(landmarks, compartment)
        raster = points_about(grid, edge, 3.0)
        meniscus = knee.tissue_at(raster) == MENISCUS_TISSUES[compartment]
        yield float(np.max((raster[meniscus] - edge) @ axis))


@settings(max_examples=20, deadline=None)
@given(knee=seeds.map(drawn), grid=planes)
def test_the_free_edge_is_the_innermost_labelled_meniscus_near_it(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for compartment, inside_mm in inside_of_tips(knee, grid):
        is_folded = knee.parameters.tear(compartment).body is BodyTear.RADIAL
        least_mm = -GRAZED_MM if is_folded else -MICROMETRE_MM
        assert least_mm <= inside_mm <= 1.5 * SAMPLE_MM


@settings(max_examples=20, deadline=None)
@given(knee=seeds.map(extreme), grid=planes)
@example(knee=extreme(157), grid=coronal_grid(2.0, turn_deg=0.0, tip_deg=5.0))
@example(knee=extreme(243), grid=coronal_grid(0.0, turn_deg=0.0, tip_deg=12.0))
@example(knee=extreme(5871), grid=coronal_grid(5.331, turn_deg=5.892, tip_deg=12.823))
@example(knee=extreme(302), grid=coronal_grid(8.26, turn_deg=10.12, tip_deg=-1.86))
def test_the_free_edge_of_an_extreme_knee_is_missed_by_a_corner_at_most(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for _, inside_mm in inside_of_tips(knee, grid):
        assert -EXTREME_GRAZED_MM <= inside_mm <= 1.5 * SAMPLE_MM


def inside_of_tips(knee: SyntheticKnee, grid: PixelGrid) -> Iterator[tuple[Compartment, float]]:
    """How far the innermost labelled meniscus at each free edge lies outward of it, mm.

    The plane may cut another part of an extreme meniscus beside it; that part is left out.
    """
    landmarks = knee.landmarks_on(grid) or {}
    for compartment, points in landmarks.items():
        if Landmark.FREE_EDGE not in points:
            continue
        tip, axis = np.array(points[Landmark.FREE_EDGE]), outward(landmarks, compartment)
        raster = points_about(grid, tip, 1.5)
        meniscus = knee.tissue_at(raster) == MENISCUS_TISSUES[compartment]
        pieces, _ = ndimage.label(meniscus, structure=np.ones((3, 3)))
        away = np.where(meniscus, np.linalg.norm(raster - tip, axis=-1), np.inf)
        at_tip = pieces == pieces.flat[int(np.argmin(away))]
        yield compartment, float(np.min((raster[at_tip] - tip) @ axis))


@settings(max_examples=20, deadline=None)
@given(knee=knees, grid=planes)
def test_every_landmark_lies_in_the_plane_of_the_slice(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for points in (knee.landmarks_on(grid) or {}).values():
        assert np.abs(grid.off_plane_mm(list(points.values()))).max() < 1e-6


@settings(max_examples=20, deadline=None)
@given(knee=knees, grid=planes)
def test_the_rim_lies_on_the_bone_half_way_through_its_turn(
    knee: SyntheticKnee, grid: PixelGrid
) -> None:
    for compartment, points in (knee.landmarks_on(grid) or {}).items():
        u, y, z = np.array(points[Landmark.RIM]) * [knee.mirror, 1.0, 1.0]
        plateau = knee.tibia.plateau(compartment)

        def bone(u: float, y: float, z: float) -> float:
            layers = knee.tibia.layers(*(np.array([value]) for value in (u, y, z)))
            return float(next(d for tissue, _, d in layers if tissue is Tissue.CORTICAL_BONE)[0])

        assert abs(bone(u, y, z)) < 1e-4
        p, q = plateau.local(u, y)
        reach = math.hypot(p, q)
        step_u, step_y = plateau.outward * p / reach * 1e-4, q / reach * 1e-4
        slope = (knee.tibia.height(u + step_u, y + step_y) - knee.tibia.height(u, y)) / 1e-4
        out = (bone(u + step_u, y + step_y, z + 1e-4 * slope) - bone(u, y, z)) / 1e-4
        up = (bone(u, y, z + 1e-4) - bone(u, y, z)) / 1e-4
        assert math.degrees(math.atan2(out, up)) == pytest.approx(RIM_TURN_DEG, abs=1.0)


@settings(max_examples=6, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    grid=st.builds(coronal_grid, st.floats(-3.0, 5.0), turn_deg=st.floats(-10.0, 10.0)),
    extrusion_mm=st.floats(-1.5, 7.0),
)
def test_a_knee_can_be_asked_for_an_exact_extrusion(
    seed: int, grid: PixelGrid, extrusion_mm: float
) -> None:
    drawn = draw_parameters(np.random.default_rng(seed))
    if Compartment.MEDIAL not in SyntheticKnee(drawn).extrusion_on(grid):
        return
    parameters = with_extrusion(
        drawn, grid, compartment=Compartment.MEDIAL, extrusion_mm=extrusion_mm
    )
    found = SyntheticKnee(parameters).extrusion_on(grid)[Compartment.MEDIAL]
    assert found == pytest.approx(extrusion_mm, abs=1e-8)
    assert parameters.tibia == drawn.tibia


def test_the_average_knee_can_have_exactly_three_millimetres() -> None:
    grid = coronal_grid(1.5)
    parameters = with_extrusion(
        KneeParameters(), grid, compartment=Compartment.LATERAL, extrusion_mm=3.0
    )
    assert SyntheticKnee(parameters).extrusion_on(grid)[Compartment.LATERAL] == pytest.approx(
        3.0, abs=1e-8
    )


def test_no_extrusion_can_be_asked_for_off_the_body() -> None:
    with pytest.raises(RecipeError, match="does not cut the body of the medial meniscus"):
        with_extrusion(
            KneeParameters(),
            coronal_grid(-25.0),
            compartment=Compartment.MEDIAL,
            extrusion_mm=3.0,
        )


@pytest.mark.parametrize("y_mm", [-45.0, -24.0, 24.0, 45.0])
def test_nothing_can_be_measured_in_front_of_and_behind_the_bodies(y_mm: float) -> None:
    assert SyntheticKnee(KneeParameters()).landmarks_on(coronal_grid(y_mm)) is None


def test_nothing_can_be_measured_on_a_sagittal_plane() -> None:
    grid = PixelGrid((25.0, -80.0, 80.0), (0, 1, 0), (0, 0, -1), 0.5, 0.5, 320, 320)
    assert SyntheticKnee(KneeParameters()).landmarks_on(grid) is None


def test_a_plane_through_a_horn_offers_the_rims_without_meniscal_edges() -> None:
    landmarks = SyntheticKnee(KneeParameters()).landmarks_on(coronal_grid(10.0))
    assert landmarks is not None
    assert set(landmarks[Compartment.LATERAL]) == {Landmark.RIM, Landmark.SPINE_BASE}
    assert Landmark.OUTER_EDGE in landmarks[Compartment.MEDIAL]


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), y_mm=st.floats(-5.0, 6.0), turn_deg=st.floats(-15.0, 15.0))
def test_a_left_knee_is_the_mirror_image_of_a_right_one(
    seed: int, y_mm: float, turn_deg: float
) -> None:
    drawn = draw_parameters(np.random.default_rng(seed), side=Side.RIGHT)
    right = SyntheticKnee(drawn).landmarks_on(coronal_grid(y_mm, turn_deg=turn_deg)) or {}
    left = (
        SyntheticKnee(replace(drawn, side=Side.LEFT)).landmarks_on(
            coronal_grid(y_mm, turn_deg=-turn_deg)
        )
        or {}
    )
    assert left.keys() == right.keys()
    for compartment, points in right.items():
        for name, point in points.items():
            np.testing.assert_allclose(
                left[compartment][name], np.array(point) * [-1, 1, 1], atol=1e-6
            )


def test_the_direction_of_the_stack_changes_nothing() -> None:
    knee = SyntheticKnee(KneeParameters())
    forwards = coronal_grid(2.0)
    backwards = PixelGrid((80.0, 2.0, 80.0), (-1, 0, 0), (0, 0, -1), 0.4, 0.7, 256, 256)
    assert knee.extrusion_on(forwards) == pytest.approx(knee.extrusion_on(backwards), abs=1e-9)


def test_the_middle_of_the_knee_is_named_by_convention() -> None:
    knee = SyntheticKnee(replace(KneeParameters(), side=Side.LEFT))
    apex = knee.mid_coronal.medial_spine_apex
    assert apex[0] < 0
    assert apex[2] > knee.tibia.height_at(25.0, apex[1]) + 5.0
    assert abs(knee.mid_coronal.plateau_midpoint[1]) < 3.0

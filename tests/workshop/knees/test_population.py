"""Populations are drawn within their ranges, and recipes outside them are refused."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.errors import RecipeError
from meniscal_measure.workshop.knees.parameters import (
    KneeParameters,
    MeniscusParameters,
    RootTear,
    Sex,
    TearParameters,
    TibiaParameters,
)
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.repair import shifted
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee


def test_the_same_seed_draws_the_same_parameters() -> None:
    first, again, other = (draw_parameters(np.random.default_rng(seed)) for seed in (3, 3, 4))
    assert first == again
    assert first != other


@settings(max_examples=200, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_every_draw_is_a_knee_that_can_be_built(seed: int) -> None:
    worn = Population(osteoarthritis=1.0, medial_root_tear=0.5, other_tear=0.5)
    knee = SyntheticKnee(draw_parameters(np.random.default_rng(seed), worn))
    assert knee.femur.medial.z > knee.tibia.height_at(25.0, 0.0)


def test_numbers_are_plain_floats_so_that_single_precision_is_kept() -> None:
    drawn = draw_parameters(np.random.default_rng(0))
    for group in (drawn.tibia, drawn.medial, drawn.joint, drawn.soft, drawn.medial_tear):
        for item in fields(group):
            if item.metadata:
                assert type(getattr(group, item.name)) is float


def test_shares_are_met() -> None:
    rng = np.random.default_rng(1)
    population = Population(male=0.3, medial_root_tear=0.6)
    drawn = [draw_parameters(rng, population) for _ in range(600)]
    assert np.mean([each.sex is Sex.MALE for each in drawn]) == pytest.approx(0.3, abs=0.08)
    torn = [each.medial_tear.root is not RootTear.NONE for each in drawn]
    assert np.mean(torn) == pytest.approx(0.6, abs=0.08)


def test_most_root_tears_are_of_the_second_type() -> None:
    """48 of 71 tears (LaPrade 2015, Am J Sports Med 43:363-369)."""
    rng = np.random.default_rng(2)
    population = Population(medial_root_tear=1.0)
    drawn = [draw_parameters(rng, population).medial_tear for _ in range(500)]
    complete = [tear for tear in drawn if tear.root is RootTear.COMPLETE]
    assert len(complete) / len(drawn) == pytest.approx(48 / 71, abs=0.08)
    near = [tear.root_distance_mm < 3.0 for tear in complete]
    assert np.mean(near) == pytest.approx(27 / 48, abs=0.08)


def test_the_side_can_be_chosen() -> None:
    rng = np.random.default_rng(0)
    assert {draw_parameters(rng, side=Side.LEFT).side for _ in range(20)} == {Side.LEFT}


def test_a_number_outside_its_range_is_refused_by_name() -> None:
    with pytest.raises(
        RecipeError,
        match=r"TibiaParameters\.plateau_width_mm is 120; it must lie from 55\.0 to 95\.0",
    ):
        TibiaParameters(plateau_width_mm=120)
    with pytest.raises(RecipeError, match=r"MeniscusParameters\.height_mm is nan"):
        MeniscusParameters(height_mm=float("nan"))
    with pytest.raises(RecipeError, match=r"TearParameters\.root_distance_mm is 11"):
        TearParameters(root_distance_mm=11)


def test_a_share_above_one_is_refused() -> None:
    with pytest.raises(RecipeError, match=r"Population\.male is 1\.5; it must lie from 0 to 1"):
        Population(male=1.5)


@pytest.mark.parametrize("compartment", [Compartment.MEDIAL, Compartment.LATERAL])
def test_a_meniscus_is_moved_as_a_whole(compartment: Compartment) -> None:
    before = KneeParameters()
    after = shifted(before, compartment, 1.5)
    moved, still = after.meniscus(compartment), after.meniscus(compartment.opposite)
    assert still == before.meniscus(compartment.opposite)
    assert moved == replace(
        before.meniscus(compartment),
        body_extrusion_mm=before.meniscus(compartment).body_extrusion_mm + 1.5,
        anterior_extrusion_mm=before.meniscus(compartment).anterior_extrusion_mm + 1.5,
        posterior_extrusion_mm=before.meniscus(compartment).posterior_extrusion_mm + 1.5,
    )

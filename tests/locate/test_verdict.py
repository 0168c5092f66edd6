"""Facts of knees raise no doubt, facts of other things decide against them, and only together."""

from dataclasses import asdict, replace

import pytest

from meniscal_measure.locate.evidence import Facts
from meniscal_measure.locate.verdict import CHECKS, MOST_DOUBT, _doubts

KNEE = Facts(
    coronal=0.99,
    measurable=0.98,
    width_mm=75.0,
    tilt_deg=4.0,
    edge_low_mm=3.0,
    stages_mm=1.0,
    mirrored_mm=1.2,
    networks_mm=0.3,
    spread_mm=0.3,
    stated_mm=0.5,
    roughness_mm=0.5,
    bone=0.98,
    body=0.9,
    spine_mm=8.0,
)
"""About what a good slice of a drawn or real knee shows."""


def doubt(facts: Facts) -> float:
    return sum(_doubts(facts).values())


def test_a_knee_raises_no_doubt() -> None:
    assert doubt(KNEE) == 0


@pytest.mark.parametrize("width_mm", [75.0 - 2 * 7, 75.0, 75.0 + 2 * 7])
def test_plateaus_of_adults_raise_no_doubt(width_mm: float) -> None:
    """75 mm with a standard deviation of 7: label maps of 44 knees (arXiv:2211.16696)."""
    assert doubt(replace(KNEE, width_mm=width_mm)) == 0


def test_both_learned_answers_together_decline_nothing() -> None:
    assert doubt(replace(KNEE, coronal=0.0, measurable=0.0)) < MOST_DOUBT


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.fact)
def test_no_single_fact_declines_a_knee(check: object) -> None:
    for name in asdict(KNEE):
        for extreme in (-1e3, 1e3):
            assert doubt(replace(KNEE, **{name: extreme})) < MOST_DOUBT


def test_what_is_consistent_in_nothing_is_declined() -> None:
    other = replace(
        KNEE, coronal=0.1, measurable=0.0, stages_mm=12.0, mirrored_mm=20.0, bone=0.3, body=0.2
    )
    assert doubt(other) > MOST_DOUBT

"""The published figures: every source is named, and what can be recomputed is."""

from __future__ import annotations

import math

import pytest

from meniscal_measure.knee.answers import Root, RootSign
from meniscal_measure.knee.candidate import FACT_WORDS, Fact, candidate_lines
from meniscal_measure.knee.published import Mark, published
from meniscal_measure.knee.root_signs import overall_performance, wilson_percent

FIGURES = published()


def test_every_value_names_a_source_of_the_file() -> None:
    named = {entry.source for entry in FIGURES.sign} | {o.source for o in FIGURES.footprint}
    named |= {entry.source for entry in FIGURES.finding}
    named |= {classes.source for classes in FIGURES.classification.values()}
    named |= {FIGURES.root_zone.source, FIGURES.surgical_accuracy.source}
    assert named <= set(FIGURES.source)


def test_printed_percentages_follow_from_the_counts() -> None:
    """Choi 2012 had 30 torn and 30 whole roots; its table prints one decimal."""
    for entry in FIGURES.sign:
        for percent, counts in (
            (entry.sensitivity, entry.found_in_torn),
            (entry.specificity, entry.absent_in_whole),
        ):
            if counts is not None and percent is not None:
                assert 100 * counts[0] / counts[1] == pytest.approx(percent, abs=0.05)


def test_every_sign_has_a_published_figure_that_the_sheet_quotes() -> None:
    known = {entry.sign for entry in FIGURES.sign}
    together = {name for root in Root for name in known if name.startswith(root.compartment.value)}
    assert known - together == set(RootSign)
    for root in Root:
        said = " ".join(overall_performance(root, FIGURES))
        assert "Whole examination" in said
    assert "15/45, 95 % 21 to 48" in " ".join(overall_performance(Root.LATERAL_POSTERIOR, FIGURES))


def test_wilson_interval_of_a_published_example() -> None:
    """81 of 263: 0.2553 to 0.3662, Newcombe RG. Stat Med 1998;17:857-872, table I (from memory)."""
    low, high = wilson_percent(81, 263)
    assert low == pytest.approx(25.53, abs=0.01)
    assert high == pytest.approx(36.62, abs=0.01)


def test_straight_distances_of_the_posterior_roots_follow_from_their_parts() -> None:
    by_root = {o.root: o for o in FIGURES.footprint if o.source == "johannsen_2012"}
    medial, lateral = by_root["medial_posterior"], by_root["lateral_posterior"]
    assert math.hypot(medial.posterior_mm, medial.lateral_mm) == pytest.approx(9.63, abs=0.005)
    assert math.hypot(lateral.posterior_mm, lateral.lateral_mm) == pytest.approx(4.46, abs=0.005)


def test_what_was_recalled_is_said_to_be_from_memory() -> None:
    assert FIGURES.source["johannsen_2012"].mark is Mark.FROM_MEMORY
    assert "FROM MEMORY" in FIGURES.source["johannsen_2012"].words
    assert FIGURES.classification["radial_tear"].mark is Mark.FROM_MEMORY


def test_every_fact_of_a_finding_is_one_that_the_sheet_shows() -> None:
    assert {entry.fact for entry in FIGURES.finding} <= set(FACT_WORDS)


def test_series_that_disagree_are_called_conflicting() -> None:
    facts = {"radiographic_grade": Fact(3.0, "entered"), "varus_deg": Fact(5.0, "entered")}
    lines = {line.fact: line for line in candidate_lines(facts, FIGURES)}
    assert lines["radiographic_grade"].summary == "conflicting"
    assert len(lines["radiographic_grade"].findings) == 2
    assert lines["varus_deg"].summary == "favourable"
    assert lines["age_years"].value == "not known"


def test_nothing_on_the_sheet_recommends_or_scores() -> None:
    said = " ".join(entry.text for entry in FIGURES.finding).lower()
    for word in ("recommend", "should", "score of", "candidate for", "operate"):
        assert word not in said

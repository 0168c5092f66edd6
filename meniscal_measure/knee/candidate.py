"""Facts of a candidate beside what published series found for each; no advice and no score."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from meniscal_measure.knee.published import Direction, Published, SeriesFinding
from meniscal_measure.knee.quantity import TracedSlice

FACT_WORDS = {
    "cartilage_grade": "cartilage, Outerbridge grade",
    "radiographic_grade": "radiograph, Kellgren-Lawrence grade",
    "varus_deg": "varus of the leg, degrees",
    "body_mass_index": "body mass index, kg/m²",
    "age_years": "age, years",
    "tear_age_days": "age of the tear, days",
    "extrusion_mm": "extrusion, mm",
    "compartment": "compartment of the root",
}
"""The facts that series reported on, in the order in which they are shown."""

SUMMARIES = {
    Direction.FAVOURABLE: "favourable",
    Direction.UNFAVOURABLE: "unfavourable",
    Direction.NEUTRAL: "no difference or no cut point",
    Direction.TREND: "association without a cut point",
}


@dataclass(frozen=True)
class Fact:
    """A fact as it is known of this knee."""

    value: float | str
    origin: str
    """Whether it was entered or measured, with its uncertainty."""
    where: tuple[TracedSlice, ...] = ()


@dataclass(frozen=True)
class CandidateLine:
    """A fact, and what series found for knees with such a value."""

    fact: str
    description: str
    value: str
    origin: str
    summary: str
    """"favourable", "unfavourable" or "conflicting"; else why none of them."""
    findings: tuple[str, ...]
    where: tuple[TracedSlice, ...] = ()


def candidate_lines(facts: Mapping[str, Fact], figures: Published) -> tuple[CandidateLine, ...]:
    """Set each fact of `FACT_WORDS`, known or not, beside what series found for such a value."""
    return tuple(_line(name, words, facts.get(name), figures) for name, words in FACT_WORDS.items())


def _line(name: str, words: str, fact: Fact | None, figures: Published) -> CandidateLine:
    if fact is None:
        return CandidateLine(name, words, "not known", "", "", ())
    found = [
        entry for entry in figures.finding if entry.fact == name and applies(entry, fact.value)
    ]
    value = fact.value if isinstance(fact.value, str) else f"{fact.value:.1f}".removesuffix(".0")
    sentences = tuple(
        f"{SUMMARIES[entry.direction]}: {entry.text} - {source.mention}, {source.evidence}"
        for entry in found
        for source in (figures.source[entry.source],)
    )
    return CandidateLine(name, words, value, fact.origin, summary(found), sentences, fact.where)


def applies(entry: SeriesFinding, value: float | str) -> bool:
    """Whether a finding is about knees with this value.

    Examples
    --------
    >>> varus = SeriesFinding(fact="varus_deg", source="x", direction="unfavourable", text="",
    ...                       above=5.0)
    >>> applies(varus, 5.0), applies(varus, 5.1)
    (False, True)
    """
    if isinstance(value, str):
        return entry.is_ is None or entry.is_ == value
    return (
        (entry.above is None or value > entry.above)
        and (entry.at_least is None or value >= entry.at_least)
        and (entry.below is None or value < entry.below)
        and (entry.at_most is None or value <= entry.at_most)
    )


def summary(found: list[SeriesFinding]) -> str:
    """Sum up the direction of the findings, and whether they disagree.

    A finding of no difference against one that is unfavourable is a conflict too.
    """
    ways = {entry.direction for entry in found} - {Direction.TREND}
    if len(ways) > 1:
        return "conflicting"
    if ways:
        return SUMMARIES[ways.pop()]
    return SUMMARIES[Direction.TREND] if found else "no series in the list covers this value"

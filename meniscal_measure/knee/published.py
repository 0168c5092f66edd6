"""Published figures, read from one data file with their source, spread and how we know them."""

from __future__ import annotations

import tomllib
from enum import StrEnum
from functools import lru_cache
from importlib.resources import files

import msgspec


class Mark(StrEnum):
    """How a published value is known."""

    READ = "read"
    SECONDARY = "secondary"
    FROM_MEMORY = "from_memory"

    @property
    def words(self) -> str:
        """What the sheet says of it.

        Examples
        --------
        >>> Mark.FROM_MEMORY.words
        'FROM MEMORY, not checked against the paper'
        """
        return {
            Mark.READ: "read in the source",
            Mark.SECONDARY: "read in a secondary place",
            Mark.FROM_MEMORY: "FROM MEMORY, not checked against the paper",
        }[self]


class Direction(StrEnum):
    """Direction of the association that a series found."""

    FAVOURABLE = "favourable"
    UNFAVOURABLE = "unfavourable"
    NEUTRAL = "neutral"
    TREND = "trend"
    """An association without a cut point: it applies to any value."""


class _Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the data file in which no other key is allowed."""


class PublishedSource(_Entry, frozen=True, kw_only=True):
    """Where values come from, on what evidence, and how we know them."""

    citation: str
    address: str
    name: str = ""
    """What it is called where there is little room; else the first words of the citation."""
    evidence: str
    mark: Mark

    @property
    def short(self) -> str:
        """First author or subject, to tell sources apart where there is little room."""
        return self.name or self.citation.split(".")[0].split(",")[0]

    @property
    def mention(self) -> str:
        """The short name, and how we know it where it was not read in the source."""
        return self.short if self.mark is Mark.READ else f"{self.short} ({self.mark.words})"

    @property
    def words(self) -> str:
        """Citation, evidence and mark in one line."""
        address = "" if self.address in self.citation else f", {self.address}"
        return f"{self.citation}{address} ({self.evidence}; {self.mark.words})"


class SignFigures(_Entry, frozen=True, kw_only=True):
    """Performance of one sign in one series, per cent."""

    sign: str
    source: str
    sensitivity: float
    specificity: float | None = None
    found_in_torn: tuple[int, int] | None = None
    """Torn roots with the sign, torn roots."""
    absent_in_whole: tuple[int, int] | None = None
    """Whole roots without the sign, whole roots."""
    bound: str = ""
    note: str = ""


class Classes(_Entry, frozen=True, kw_only=True):
    """Classes of a length by their upper limits, mm."""

    source: str
    names: tuple[str, ...]
    upper_mm: tuple[float, ...]
    last_included: bool
    """Whether the last limit belongs to the last class; every other one belongs to the next."""
    mark: Mark | None = None
    note: str = ""


class RootOffset(_Entry, frozen=True, kw_only=True):
    """Centre of a root by its distances from landmarks, mm; spreads are standard deviations."""

    root: str
    source: str
    apex: str
    posterior_mm: float
    lateral_mm: float
    posterior_spread_mm: float | None = None
    lateral_spread_mm: float | None = None
    margin: str = ""
    margin_lateral_mm: float | None = None
    margin_spread_mm: float | None = None
    cruciate_mm: float | None = None
    cruciate_spread_mm: float | None = None
    area_mm2: float | None = None
    area_spread_mm2: float | None = None

    @property
    def area_words(self) -> str:
        """Area of the attachment; empty where the series does not give it."""
        if self.area_mm2 is None:
            return ""
        spread = "" if self.area_spread_mm2 is None else f" ± {self.area_spread_mm2:g} (SD)"
        return f" Area of the attachment {self.area_mm2:g} mm²{spread}."


class NormalValue(_Entry, frozen=True, kw_only=True):
    """What a measure is in ordinary knees: a mean with its standard deviation, or a range."""

    measure: str
    source: str
    unit: str
    group: str = ""
    mean: float | None = None
    spread: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def words(self) -> str:
        """Group, mean, spread and range, without the unit.

        Examples
        --------
        >>> NormalValue(measure="slope", source="a", unit="deg", group="women", mean=5.9).words
        'women 5.9'
        >>> NormalValue(measure="slope", source="a", unit="deg", mean=87, low=85, high=90).words
        '87 (85 to 90)'
        """
        mean = "" if self.mean is None else f"{self.mean:g}"
        spread = "" if self.spread is None else f" ± {self.spread:g}"
        ends = "" if self.low is None else f"{self.low:g} to {self.high:g}"
        if mean and ends:
            ends = f" ({ends})"
        return f"{self.group} {mean}{spread}{ends}".strip()


class ReaderError(_Entry, frozen=True, kw_only=True):
    """Spread of medial extrusion between knees, and how well readers agree on it."""

    source: str
    population_sd_mm: float
    agreement_icc: float
    note: str


class SeriesFinding(_Entry, frozen=True, kw_only=True, rename={"is_": "is"}):
    """What a series found for a fact, and for which values of it."""

    fact: str
    source: str
    direction: Direction
    text: str
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None
    is_: str | None = None


class RootZone(_Entry, frozen=True, kw_only=True):
    """How near to its attachment a tear is a root tear."""

    source: str
    limit_mm: float
    note: str


class SurgicalAccuracy(_Entry, frozen=True, kw_only=True):
    """How far tunnels lay from the anatomical centre in published groups."""

    source: str
    distance_mm: tuple[float, ...]
    note: str


class Published(_Entry, frozen=True, kw_only=True):
    """All of the data file."""

    source: dict[str, PublishedSource]
    sign: tuple[SignFigures, ...]
    classification: dict[str, Classes]
    tear_type: dict[str, str]
    root_zone: RootZone
    footprint: tuple[RootOffset, ...]
    surgical_accuracy: SurgicalAccuracy
    normal: tuple[NormalValue, ...]
    reader_error: ReaderError
    finding: tuple[SeriesFinding, ...]

    def normal_words(self, measure: str) -> str:
        """Say what a measure ordinarily is, by source; empty where no source is in the file.

        Examples
        --------
        >>> published().normal_words("joint line convergence angle")
        'usually 0 to 2 degrees (Paley 2002, FROM MEMORY, not checked against the paper)'
        """
        by_source: dict[str, list[NormalValue]] = {}
        for value in self.normal:
            if value.measure == measure:
                by_source.setdefault(value.source, []).append(value)
        said = []
        for name, values in by_source.items():
            source = self.source[name]
            unit = {"deg": "degrees"}.get(values[0].unit, values[0].unit)
            said.append(
                f"usually {', '.join(value.words for value in values)} {unit} ({source.short},"
                f" {source.mark.words})"
            )
        return "; ".join(said)


@lru_cache(maxsize=1)
def published() -> Published:
    """Read the published figures.

    Examples
    --------
    >>> published().classification["radial_tear"].upper_mm
    (3.0, 6.0, 9.0)
    """
    text = files("meniscal_measure.knee").joinpath("published.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), Published)

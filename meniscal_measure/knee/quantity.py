"""A number of the case with all that a reader needs to trust or doubt it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import InputError
from meniscal_measure.slice_name import SliceName

COVERAGE_FACTOR = 1.96
"""Half-width of a 95 % interval in standard uncertainties, normal distribution."""


class Visit(StrEnum):
    """Which of the two examinations of a case."""

    BASELINE = "baseline"
    FOLLOW_UP = "follow_up"

    @property
    def words(self) -> str:
        """The visit in plain words.

        Examples
        --------
        >>> Visit.FOLLOW_UP.words
        'follow-up'
        """
        return self.value.replace("_", "-")


class Basis(StrEnum):
    """What a number rests on."""

    PIXELS = "pixels"
    """Computed from grey values, at places that a reader marked."""
    READER = "reader"
    """Computed from landmarks that a reader placed."""
    PROPOSED = "proposed"
    """Computed from landmarks that the program proposed and nobody confirmed."""
    PUBLISHED = "published"
    """Predicted from published figures and landmarks."""
    ENTERED = "entered"
    """Entered by a person as it stands."""

    @property
    def words(self) -> str:
        """The basis in plain words.

        Examples
        --------
        >>> Basis.PROPOSED.words
        'proposed, NOT VERIFIED'
        """
        return {
            Basis.PIXELS: "pixels at marked places",
            Basis.READER: "placed landmarks",
            Basis.PROPOSED: "proposed, NOT VERIFIED",
            Basis.PUBLISHED: "published figures",
            Basis.ENTERED: "entered",
        }[self]


@dataclass(frozen=True)
class TracedSlice:
    """A slice, or a radiograph, that a number was read from.

    Examples
    --------
    >>> str(TracedSlice(Plane.SAGITTAL, SliceName(9, 24, 16), "1.2.3"))
    'sagittal slice 9, image 16'
    >>> str(TracedSlice(None, SliceName(1, 1, 4), "1.2.4"))
    'radiograph, image 4'
    """

    plane: Plane | None
    """Plane of its stack; None for a radiograph."""
    name: SliceName
    """What a person calls it: Instance Number, and its place in the stack."""
    sop_instance_uid: str
    visit: Visit = Visit.BASELINE

    @property
    def view(self) -> str:
        """The plane in words, or that it is a radiograph."""
        return "radiograph" if self.plane is None else self.plane.value

    def __str__(self) -> str:
        """Name the slice in a few words; the follow-up is said, the baseline is not."""
        visit = "" if self.visit is Visit.BASELINE else f"{self.visit.words} "
        if self.plane is not None:
            return f"{visit}{self.view} {self.name.short}"
        number = self.name.instance_number
        return self.view if number is None else f"{self.view}, image {number}"


@dataclass(frozen=True)
class TracedQuantity:
    """A number that can be followed back to its slices.

    Raises
    ------
    InputError
        If value or uncertainty is not finite, or the uncertainty is negative.

    Examples
    --------
    >>> gap = TracedQuantity("cleft gap", 4.2, "mm", 0.3, Basis.PIXELS, source="two edges")
    >>> gap.words, tuple(round(end, 2) for end in gap.interval95)
    ('4.2 ± 0.6 mm', (3.61, 4.79))
    """

    name: str
    """What it is, in a few words; unique within its part of the case."""
    value: float
    """In `unit`, not rounded."""
    unit: str
    """UCUM: "mm", "mm2", "deg", "%", "1" for a ratio."""
    u: float | None
    """Standard uncertainty in the same unit; None where it was not evaluated, which is shown."""
    basis: Basis
    where: tuple[TracedSlice, ...] = ()
    """The slices it was read from; empty where it was entered."""
    source: str = ""
    """Formula, convention or citation behind it, in words."""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or not (self.u is None or 0 <= self.u < math.inf):
            raise InputError(
                f"The {self.name} is {self.value} with u = {self.u}; both must be finite, and u"
                " must not be negative. Check the landmarks it was computed from."
            )

    @property
    def places(self) -> str:
        """The slices by Instance Number, else by their place; "-" where there are none."""
        by_plane: dict[str, list[str]] = {}
        for found in dict.fromkeys(self.where):
            image = found.name.instance_number
            named = found.name.short if image is None else str(image)
            visit = "" if found.visit is Visit.BASELINE else f"{found.visit.words} "
            by_plane.setdefault(f"{visit}{found.view}", []).append(named)
        return "; ".join(f"{plane} {', '.join(names)}" for plane, names in by_plane.items()) or "-"

    @property
    def interval95(self) -> tuple[float, float] | None:
        """Ends of the 95 % interval; None where the uncertainty was not evaluated."""
        if self.u is None:
            return None
        half = COVERAGE_FACTOR * self.u
        return self.value - half, self.value + half

    @property
    def words(self) -> str:
        """Value and half of the 95 % interval, or that the uncertainty was not evaluated."""
        digits = 2 if self.unit == "1" else 1
        unit = {"1": "", "mm2": " mm²", "deg": "°", "%": " %"}.get(self.unit, f" {self.unit}")
        value = f"{round(self.value, digits) + 0.0:.{digits}f}"  # no minus before a zero
        if self.u is None:
            return f"{value}{unit} (u not known)"
        return f"{value} ± {COVERAGE_FACTOR * self.u:.{digits}f}{unit}"


@dataclass(frozen=True)
class CasePart:
    """One section of the case as the sheet shows it."""

    title: str
    quantities: tuple[TracedQuantity, ...] = ()
    """Its numbers, in the order in which they are shown."""
    remarks: tuple[str, ...] = ()
    """Sentences shown with the numbers: what a published series found, what was assumed."""
    gaps: tuple[str, ...] = ()
    """What could not be done and why, each a sentence with what to do."""

"""The usual milestones after a repair, and the time line of a case; both yield to the surgeon's."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from importlib.resources import files

import msgspec

from meniscal_measure.errors import InputError
from meniscal_measure.knee.quantity import CasePart


class Milestone(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What usually happens between two weeks after the operation.

    Raises
    ------
    ValueError
        If it ends before it begins.
    """

    name: str
    from_week: float
    to_week: float
    note: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.from_week <= self.to_week:
            raise ValueError(f"the milestone {self.name!r} ends before it begins")


class MilestonePlan(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Milestones, and on what they rest."""

    basis: str
    milestone: tuple[Milestone, ...]


def usual_plan() -> MilestonePlan:
    """Read the usual milestones, which yield to those of the surgeon.

    Examples
    --------
    >>> usual_plan().basis
    "common practice, no source; the operating surgeon's own protocol takes precedence"
    """
    text = files("meniscal_measure.knee").joinpath("milestones.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), MilestonePlan)


@dataclass(frozen=True)
class TimeLineEntry:
    """A day or a span in the life of the case; `last` is None for a day."""

    first: date
    last: date | None
    what: str
    planned: bool
    """Whether it comes from the protocol; False for what is known to have happened."""

    @property
    def words(self) -> str:
        """The entry in one line.

        Examples
        --------
        >>> TimeLineEntry(date(2026, 1, 10), None, "baseline MRI", False).words
        '2026-01-10: baseline MRI'
        """
        until = "" if self.last is None else f" to {self.last}"
        return f"{self.first}{until}: {self.what}"


def time_line(
    events: dict[str, date], operation: date | None, plan: MilestonePlan
) -> tuple[TimeLineEntry, ...]:
    """Lay out what happened and, from the day of the operation, what the protocol plans.

    `events` are the days of the injury and of examinations, by name; without the day of the
    operation nothing is planned.

    Raises
    ------
    InputError
        If the baseline is later than the follow-up, as named in `events`.

    Examples
    --------
    >>> line = time_line({"baseline MRI": date(2026, 1, 10)}, date(2026, 2, 2), usual_plan())
    >>> [entry.words for entry in line[:3]]  # doctest: +NORMALIZE_WHITESPACE
    ['2026-01-10: baseline MRI', '2026-02-02: operation',
     '2026-02-02 to 2026-03-16: no weight on the leg']
    """
    baseline, follow_up = events.get("baseline MRI"), events.get("follow-up MRI")
    if baseline is not None and follow_up is not None and follow_up < baseline:
        raise InputError(
            f"The follow-up ({follow_up}) was before the baseline ({baseline}). Exchange them."
        )
    happened = [TimeLineEntry(day, None, name, False) for name, day in events.items()]
    planned = []
    if operation is not None:
        happened.append(TimeLineEntry(operation, None, "operation", False))
        for milestone in plan.milestone:
            span = [
                operation + timedelta(weeks=w) for w in (milestone.from_week, milestone.to_week)
            ]
            planned.append(TimeLineEntry(span[0], span[1], milestone.name, True))
    return tuple(sorted([*happened, *planned], key=lambda entry: (entry.first, entry.planned)))


def time_line_part(
    events: dict[str, date], operation: date | None, plan: MilestonePlan
) -> CasePart:
    """Give the time line as a part of the case."""
    entries = time_line(events, operation, plan)
    remarks = [entry.words + (" (planned)" if entry.planned else "") for entry in entries]
    gaps = (
        () if operation else ("The day of the operation is not given, so no milestone is shown.",)
    )
    return CasePart("Time line", (), (*remarks, f"Milestones: {plan.basis}."), gaps)

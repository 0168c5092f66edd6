"""How knees changed between visits, and whether groups changed differently."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meniscal_measure.cohort.agreement.change import KneeChanges, MeanChange, mean_change
from meniscal_measure.cohort.agreement.change_by_group import ChangeByGroup, change_by_group
from meniscal_measure.cohort.agreement.design import Factor, design
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.cohort.agreement.mixed import Effect, MixedModel, mixed_model
from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.errors import AgreementError

FACTORS = ("group", "visit", "side", "reader")
"""Categories of a reading that the model holds constant where they vary."""

NESTED = ("subject", "knee", "examination")
"""Random levels, the outermost first."""

BASELINE = re.compile(r"(baseline|base|bl|screening|initial|first|pre|pre\W?op\w*|before)\W*\d*")
"""Names of a visit before all others (common practice, no source)."""

SPAN = re.compile(
    r"(?P<before>\d+)\W*(?P<unit>days?|weeks?|months?|years?|wks?|mo|yrs?|[dwmy])\b"
    r"|\b(?P<word>day|week|month|year|[wmy])s?\W*(?P<after>\d+)"
)
"""A span of time in the name of a visit, such as 12 months, 6w or month 6."""

DAYS = {"d": 1.0, "w": 7.0, "m": 30.44, "y": 365.25}
"""Days of a unit, by its first letter."""


@dataclass(frozen=True)
class VisitChange:
    """How knees changed between two visits."""

    changes: KneeChanges
    summary: MeanChange
    groups: Labels
    """Group of each knee."""

    def by_group(self) -> ChangeByGroup | None:
        """Compare the changes of groups; None where all knees are of one group.

        Raises
        ------
        AgreementError
            If a group has fewer than two knees with both visits.
        """
        if self.groups.count < 2:
            return None
        changes = self.changes
        return change_by_group(self.groups, changes.change_mm, subjects=changes.subjects)


@dataclass(frozen=True)
class GroupVisitModel:
    """The mixed model of all readings, with what it says of change by group."""

    model: MixedModel
    factors: tuple[str, ...]
    covariates: tuple[str, ...]
    levels: tuple[str, ...]
    """Random levels that the readings can separate."""
    within: tuple[Effect, ...]
    """Change of each group from the first visit to each later one."""
    between: tuple[Effect, ...]
    """Group x visit: how much more each group changed than the first group."""
    interaction_p: float | None
    """Of all group x visit effects together; None where there are none."""

    @property
    def formula(self) -> str:
        """The fixed effects in words."""
        terms = [*self.factors, *self.covariates]
        if self.interaction_p is not None:
            terms.append("group × visit")
        return "extrusion ~ " + " + ".join(terms or ["1"])


def visit_sort_key(visit: str) -> tuple[bool, float, list[str | int]]:
    """Sort key by which a baseline comes first, spans of time follow each other, and 2 before 10.

    Examples
    --------
    >>> sorted(["12 months", "baseline", "6 weeks", "2 years"], key=visit_sort_key)
    ['baseline', '6 weeks', '12 months', '2 years']
    >>> sorted(["visit 10", "visit 2"], key=visit_sort_key)
    ['visit 2', 'visit 10']
    """
    name = visit.strip().lower()
    parts = re.split(r"(\d+)", visit)
    natural = [int(part) if number % 2 else part for number, part in enumerate(parts)]
    span = SPAN.search(name)
    days = 0.0
    if span is not None:
        number, unit = span["before"] or span["after"], span["unit"] or span["word"]
        days = float(number) * DAYS[unit[0]]
    return BASELINE.fullmatch(name) is None, days, natural


def visits_of(readings: Readings) -> list[str]:
    """Names of the visits in order."""
    return sorted(readings.visit.names.tolist(), key=visit_sort_key)


def between_visits(
    readings: Readings, visits: tuple[str, str], *, detectable_mm: float
) -> VisitChange:
    """Compare each knee at two visits: the mean of the changes that each reader has seen.

    A reader's own offset does not pass for a change so. A knee that no reader has read at both
    visits is counted as missing.

    Parameters
    ----------
    readings
        All readings.
    visits
        Names of the earlier and the later visit.
    detectable_mm
        Smallest detectable change of the method.

    Raises
    ------
    AgreementError
        If fewer than two knees were read at both visits by the same reader.
    """
    at_either = readings.visit.is_(visits[0]) | readings.visit.is_(visits[1])
    seen = (readings if at_either.all() else readings.where(at_either)).by_reader
    for visit in visits:
        if visit not in seen.visit.names:
            raise AgreementError(
                f"No knee was measured at visit {visit!r}. Check the names of the visits."
            )
    rows, knees = seen.knee.paired(seen.reader), seen.knee
    values = ratings_from_rows(rows, seen.visit, seen.extrusion_mm)
    squares = ratings_from_rows(rows, seen.visit, seen.u_mm**2).values
    order = [values.readers.tolist().index(visit) for visit in visits]
    known = values.read_by_all
    codes = knees.codes[rows.first][known]
    counts = np.bincount(codes, minlength=knees.count)

    def mean(column: FloatArray) -> FloatArray:
        totals = np.bincount(codes, column[known], minlength=knees.count)
        return np.where(counts > 0, totals / np.maximum(counts, 1), np.nan)

    early, late = (mean(values.values[:, place]) for place in order)
    u_early, u_late = (np.sqrt(mean(squares[:, place])) for place in order)
    owners = seen.subject.codes[knees.first]
    changes = KneeChanges(knees.names, early, late, u_early, u_late, owners, detectable_mm)
    groups = seen.group.where(knees.first)
    return VisitChange(changes, mean_change(changes), groups)


def group_visit_model(
    readings: Readings, covariates: Mapping[str, FloatArray] | None = None
) -> GroupVisitModel | None:
    """Fit the mixed model of group, visit, group x visit, side, reader and covariates.

    Parameters
    ----------
    readings
        All readings of one compartment.
    covariates
        Numbers of each reading by name, such as age; held constant.

    Returns
    -------
    GroupVisitModel or None
        None where nothing varies that a model could explain.

    Raises
    ------
    AgreementError
        If the readings cannot separate the effects.
    """
    visits = visits_of(readings)
    labels: dict[str, Labels] = {name: getattr(readings, name) for name in FACTORS}
    varying = [
        Factor(name, found, tuple(visits if name == "visit" else found.names.tolist()))
        for name, found in labels.items()
        if found.count > 1
    ]
    numbers = {
        name: values for name, values in (covariates or {}).items()
        if np.unique(values[~np.isnan(values)]).size > 1
    }  # fmt: skip
    if not varying and not numbers:
        return None
    names = {factor.name for factor in varying}
    together = [("group", "visit")] if {"group", "visit"} <= names else []
    columns = design(varying, numbers, together=together)
    levels = _levels(readings)
    model = mixed_model(readings.extrusion_mm, columns, levels)
    places = columns.columns_with("group", "visit") if together else ()
    within = _within_groups(model, varying) if "visit" in names else ()
    effects = model.effects
    return GroupVisitModel(
        model,
        tuple(factor.name for factor in varying),
        tuple(numbers),
        tuple(levels),
        within,
        tuple(effects[place] for place in places),
        model.joint_p(places) if places else None,
    )


def _within_groups(model: MixedModel, factors: list[Factor]) -> tuple[Effect, ...]:
    by_name = {factor.name: factor.levels for factor in factors}
    first, *later = by_name["visit"]
    found = []
    for group in by_name.get("group", ("",)):
        for visit in later:
            row = model.design.row({"group": group, "visit": visit})
            weights = row - model.design.row({"group": group, "visit": first})
            whose = f", {group}" if group else ""
            found.append(model.contrast(f"Change from visit {first} to {visit}{whose}", weights))
    return tuple(found)


def _levels(readings: Readings) -> dict[str, Codes]:
    """Choose the random levels that the readings can separate from the next ones."""
    found: dict[str, Codes] = {}
    outer = 1
    for name in NESTED:
        labels: Labels = getattr(readings, name)
        if outer < labels.count < readings.size:
            found[name] = labels.codes
            outer = labels.count
    return found

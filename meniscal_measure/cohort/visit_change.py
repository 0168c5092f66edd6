"""How knees changed between visits, and whether groups changed differently."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meniscal_measure.cohort.agreement.change import (
    KneeChanges,
    MeanChange,
    Visits,
    knee_changes,
    mean_change,
)
from meniscal_measure.cohort.agreement.change_by_group import ChangeByGroup, change_by_group
from meniscal_measure.cohort.agreement.design import Factor, design
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.mixed import Effect, MixedModel, mixed_model
from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
from meniscal_measure.cohort.readings import Readings, Texts, mean_of_repeats
from meniscal_measure.errors import AgreementError

FACTORS = ("group", "visit", "side", "reader")
"""Categories of a reading that the model holds constant where they vary."""

NESTED = ("subject", "knee", "examination")
"""Random levels, the outermost first."""


@dataclass(frozen=True)
class GroupVisitModel:
    """The mixed model of all readings, with what it says of change by group."""

    model: MixedModel
    factors: tuple[str, ...]
    covariates: tuple[str, ...]
    levels: tuple[str, ...]
    """Random levels that the readings can tell apart."""
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


def visit_sort_key(visit: str) -> list[str | int]:
    """Sort key by which visit 2 comes before visit 10."""
    parts = re.split(r"(\d+)", visit)
    return [int(part) if number % 2 else part for number, part in enumerate(parts)]


def visits_of(readings: Readings) -> list[str]:
    """Names of the visits in order."""
    return sorted(np.unique(readings.visit).tolist(), key=visit_sort_key)


def between_visits(
    readings: Readings, visits: tuple[str, str], *, detectable_mm: float
) -> tuple[KneeChanges, MeanChange]:
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
    seen = mean_of_repeats(readings.where(np.isin(readings.visit, visits)))
    missing = [visit for visit in visits if visit not in seen.visit]
    if missing:
        raise AgreementError(
            f"No knee was measured at visit {missing[0]!r}. Check the names of the visits."
        )
    rows = seen.joined("subject", "side", "reader")
    values = ratings_from_rows(rows, seen.visit, seen.extrusion_mm)
    squares = ratings_from_rows(rows, seen.visit, seen.u_mm**2)
    knees = dict(zip(rows.tolist(), seen.joined("subject", "side").tolist(), strict=True))
    names, codes = np.unique([knees[row] for row in values.cases], return_inverse=True)
    of_knee = dict(zip(seen.joined("subject", "side").tolist(), seen.subject.tolist(), strict=True))
    owners = tuple(of_knee[name] for name in names.tolist())
    order = [values.readers.index(visit) for visit in visits]
    known = ~np.isnan(values.values).any(axis=1)
    counts = np.bincount(codes[known], minlength=names.size)

    def mean(column: FloatArray) -> FloatArray:
        totals = np.bincount(codes[known], column[known], minlength=names.size)
        return np.where(counts > 0, totals / np.maximum(counts, 1), np.nan)

    early, late = (mean(values.values[:, column]) for column in order)
    u_early, u_late = (np.sqrt(mean(squares.values[:, column])) for column in order)
    changes = knee_changes(
        Visits(tuple(names.tolist()), early, late, u_early, u_late, owners), detectable_mm
    )
    return changes, mean_change(changes)


def changes_by_group(changes: KneeChanges, readings: Readings) -> ChangeByGroup | None:
    """Compare the changes of groups; None where all knees are of one group.

    Raises
    ------
    AgreementError
        If a group has fewer than two knees with both visits.
    """
    knees, first = np.unique(readings.joined("subject", "side"), return_index=True)
    rows = dict(zip(knees.tolist(), first.tolist(), strict=True))
    places = [rows[knee] for knee in changes.knees]
    groups = readings.group[places]
    if np.unique(groups).size < 2:
        return None
    return change_by_group(groups, changes.change_mm, subjects=readings.subject[places])


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
        If the readings cannot tell the effects apart.
    """
    factors = [_factor(name, readings) for name in FACTORS]
    varying = [factor for factor in factors if len(factor.levels) > 1]
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


def _factor(name: str, readings: Readings) -> Factor:
    labels = getattr(readings, name).tolist()
    levels = visits_of(readings) if name == "visit" else sorted(set(labels))
    return Factor(name, tuple(labels), tuple(levels))


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


def _levels(readings: Readings) -> dict[str, Texts]:
    """Choose the random levels that the readings can tell from those about them."""
    labels = {
        "subject": readings.subject,
        "knee": readings.joined("subject", "side"),
        "examination": readings.knee,
    }
    found: dict[str, Texts] = {}
    outer = 1
    for name in NESTED:
        count = np.unique(labels[name]).size
        if outer < count < readings.subject.size:
            found[name] = labels[name]
            outer = count
    return found

"""What the report says first: change between visits, and whether groups changed differently."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import pairwise

import numpy as np

from meniscal_measure.cohort.agreement.change import KneeChanges
from meniscal_measure.cohort.agreement.change_by_group import SOURCE_HOLM, ChangeByGroup
from meniscal_measure.cohort.agreement.labels import named
from meniscal_measure.cohort.agreement.plots import change_plot, group_change_plot, residual_plots
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    Plot,
    Results,
    Table,
)
from meniscal_measure.cohort.paper.covariates import model_covariates
from meniscal_measure.cohort.reader_agreement import DetectableChange
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.visit_change import (
    GroupVisitModel,
    between_visits,
    group_visit_model,
    visits_of,
)
from meniscal_measure.errors import AgreementError

MOST_MODELLED = 200_000
"""Readings up to which the mixed model is fitted for a report."""


def change_sections(
    label: str, readings: Readings, detectable: DetectableChange
) -> Iterator[Block]:
    """Say how knees changed from each visit to the next, by group, and fit one model to all.

    Visits come in the order of `visit_sort_key`, which the report states.
    """
    visits = visits_of(readings)
    if len(visits) > 1:
        yield Heading(f"{label}: change between visits, by group")
        yield Paragraph(
            f"Visits in the order of their names: {', '.join(visits)}. If that is not the order in"
            " time, number them in the manifest.",
            once=True,
        )
    for earlier, later in pairwise(visits):
        try:
            yield from _interval(label, readings, (earlier, later), detectable)
        except AgreementError as error:
            yield Paragraph(f"From visit {earlier} to {later}: {error}")
    yield from _model(label, readings)


def _interval(
    label: str, readings: Readings, visits: tuple[str, str], detectable: DetectableChange
) -> Iterator[Block]:
    limit_mm = detectable.value_mm
    change = between_visits(readings, visits, detectable_mm=limit_mm)
    changes, summary, by_group = change.changes, change.summary, change.by_group()
    name = f"{label}, visit {visits[0]} to {visits[1]}"
    if by_group is not None:
        yield _group_table(name, by_group)
    method = (
        "The change of a knee is the mean of the changes that each reader of both visits has seen;"
        f" the smallest detectable change of a single reading is {detectable.words}."
    )
    said = (summary.cases.sentence, method)
    yield Results(name, summary.estimates, said)
    if by_group is not None:
        caption = f"{name}: mean change of each group with its 95 % interval."
        yield Plot(caption, group_change_plot(by_group))
    yield Plot(
        f"{name}: change against baseline; triangles lie beyond the smallest detectable change"
        f" (SDC, dashed lines at ± {limit_mm:.2f} mm).",
        change_plot(changes),
    )
    header = ("Knee", "Change (mm)", "u (mm)", "Beyond the SDC", "Beyond 1.96 u")
    caption = f"{name}: change of each knee, the largest first"
    yield Listing(caption, header, partial(_largest_first, changes))


def _largest_first(changes: KneeChanges) -> Iterator[tuple[str, ...]]:
    known = np.flatnonzero(~np.isnan(changes.change_mm))
    order = known[np.argsort(-np.abs(changes.change_mm[known]), kind="stable")]
    columns = (changes.knees, changes.change_mm, changes.u_mm, changes.exceeds_detectable,
               changes.exceeds_uncertainty)  # fmt: skip
    for knee, change, u, *beyond in zip(*(column[order] for column in columns), strict=True):
        yield knee, f"{change:+.2f}", f"{u:.2f}", *("yes" if one else "no" for one in beyond)


def _group_table(name: str, found: ChangeByGroup) -> Table:
    rows = [
        (f"Change, {named(one.group)}", str(one.cases.used),
         number_text(one.mean.value, "mm"), interval_text(one.mean), number_text(one.p), "")
        for one in found.groups
    ]  # fmt: skip
    rows += [
        (f"Difference of changes, {named(one.first)} minus {named(one.second)}", "",
         number_text(one.difference.value, "mm"), interval_text(one.difference),
         number_text(one.p), number_text(one.p_adjusted))
        for one in found.differences
    ]  # fmt: skip
    sources = dict.fromkeys(one.mean.source for one in found.groups)
    sources |= dict.fromkeys(one.difference.source for one in found.differences)
    note = f"Intervals and p values: {'; '.join(sources)}; adjusted p: {SOURCE_HOLM}."
    header = ("", "Knees", "mm", "95 % interval", "p", "Adjusted p")
    return Table(f"{name}, by group", header, tuple(rows), (note,))


def _model(label: str, readings: Readings) -> Iterator[Block]:
    if readings.subject.count == readings.size:
        return
    if readings.size > MOST_MODELLED:
        yield Paragraph(
            f"{readings.size} readings are too many for the mixed model of a report; fit it"
            " to the exported table."
        )
        return
    try:
        found = group_visit_model(readings, model_covariates(readings))
    except AgreementError as error:
        yield Paragraph(f"{label}: no mixed model is reported. {error}")
        return
    if found is None:
        return
    yield _model_table(label, found)
    fit = found.model.fit
    yield Results(f"{label}, spread by level of the model", fit.spreads, fit.remarks)
    for caption, draw in residual_plots(found.model.fitted, found.model.residuals):
        yield Plot(f"{label}, mixed model: {caption}", draw)


def _model_table(label: str, found: GroupVisitModel) -> Table:
    effects = [*found.within, *found.model.effects]
    rows = [
        (one.estimate.name, number_text(one.estimate.value, "mm"), interval_text(one.estimate),
         f"{one.df:.0f}", number_text(one.p))
        for one in effects
    ]  # fmt: skip
    if found.interaction_p is not None and len(found.between) > 1:
        rows.append(("group × visit, all together", "", "", "", number_text(found.interaction_p)))
    caption = (
        f"{label}, linear mixed model {found.formula}, random intercepts for"
        f" {', '.join(found.levels) or 'none'}"
    )
    source = effects[0].estimate.source
    notes = (f"{found.model.cases.sentence} {source}.",)
    header = ("Effect", "mm", "95 % interval", "df", "p")
    return Table(caption, header, tuple(rows), notes)

"""What the report says about groups of knees, and about all readings in one model."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from meniscal_measure.cohort.agreement.group_comparison import (
    Sample,
    compare_groups,
    summarise_groups,
)
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.report.document import Block, Heading, Paragraph, Results
from meniscal_measure.cohort.visit_change import group_visit_model
from meniscal_measure.errors import AgreementError


def group_sections(label: str, knees: Readings) -> Iterator[Block]:
    """Describe each group at one visit, and compare two if there are two.

    Parameters
    ----------
    label
        What was measured, and at which visit.
    knees
        One row for each knee, as of `readings.mean_of_readings`.
    """
    try:
        summaries = summarise_groups(
            knees.group, knees.extrusion_mm, knees.flag, subjects=knees.subject
        )
    except AgreementError as error:
        yield Paragraph(f"{label}: groups are not described. {error}")
        return
    for summary in summaries:
        name = f"group {summary.group}" if summary.group else "all knees"
        yield Results(f"{label}, {name}", summary.estimates, (summary.cases.sentence,))
    if len(summaries) == 2:
        first, second = (summary.group for summary in summaries)
        samples = [
            Sample(knees.extrusion_mm[rows], knees.subject[rows])
            for rows in (knees.group == first, knees.group == second)
        ]
        names = f"group {first or 'not named'} minus {second or 'not named'}"
        yield Results(f"{label}, {names}", compare_groups(*samples))


def model_sections(label: str, readings: Readings) -> Iterator[Block]:
    """Fit a mixed model to all readings, where something varies and subjects are seen again."""
    if np.unique(readings.subject).size == readings.subject.size:
        return
    try:
        found = group_visit_model(readings)
    except AgreementError as error:
        yield Paragraph(f"{label}: no mixed model is reported. {error}")
        return
    if found is None:
        return
    yield Heading(f"{label}: all readings in one model", 3)
    caption = (
        f"{label}, linear mixed model {found.formula} with a random level for each"
        f" {', '.join(found.levels)}"
    )
    lines = [
        line
        for effect in (*found.within, *found.model.effects)
        for line in (effect.estimate, effect.p_line)
    ]
    lines += found.model.spreads
    yield Results(caption, tuple(lines), (found.model.cases.sentence, *found.model.remarks))

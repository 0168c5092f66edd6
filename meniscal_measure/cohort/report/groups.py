"""What the report says about groups of knees, and about all readings in one model."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from meniscal_measure.cohort.agreement.groups import compare_groups, summarise_groups
from meniscal_measure.cohort.agreement.mixed import mixed_model
from meniscal_measure.cohort.analysis import Readings
from meniscal_measure.cohort.report.document import Block, Heading, Paragraph, Results
from meniscal_measure.errors import AgreementError, UsageError

MOST_MODELLED = 10_000
"""Readings up to which the mixed model is fitted for a report: it takes seconds there, and grows
faster than the readings."""


def group_sections(label: str, knees: Readings) -> Iterator[Block]:
    """Describe each group, and compare two if there are two.

    Parameters
    ----------
    label
        What was measured.
    knees
        One row for each knee at each visit, as of `analysis.mean_of_readings`.
    """
    # A knee that its readers flag differently counts as flagged when at least half of them do.
    flags = np.where(knees.flag >= 0.5, 1.0, 0.0)
    try:
        summaries = summarise_groups(knees.group, knees.extrusion_mm, flags)
    except AgreementError as error:
        yield Paragraph(f"{label}: groups are not described. {error}")
        return
    for summary in summaries:
        name = f"group {summary.group}" if summary.group else "all knees"
        yield Results(f"{label}, {name}", summary.estimates, (summary.cases.sentence,))
    if len(summaries) == 2:
        first, second = (summary.group for summary in summaries)
        values = [knees.extrusion_mm[knees.group == group] for group in (first, second)]
        yield Results(f"{label}, group {first} minus {second}", compare_groups(*values))


def model_sections(label: str, readings: Readings) -> Iterator[Block]:
    """Fit a mixed model to all readings, where something varies and subjects are seen again."""
    terms = [
        name for name in ("group", "visit", "reader")
        if np.unique(getattr(readings, name)).size > 1
    ]  # fmt: skip
    if not terms or np.unique(readings.subject).size == readings.subject.size:
        return
    yield Heading(f"{label}: all readings in one model", 3)
    if readings.subject.size > MOST_MODELLED:
        yield Paragraph(
            f"{readings.subject.size} readings are too many for the report; fit the model to the"
            " exported table."
        )
        return
    names = ("extrusion_mm", "subject", *terms)
    columns = {name: getattr(readings, name) for name in names}
    try:
        model = mixed_model(f"extrusion_mm ~ {' + '.join(terms)}", columns, subject="subject")
    except (AgreementError, UsageError) as error:
        yield Paragraph(f"No mixed model is reported. {error}")
        return
    caption = f"{label}, linear mixed model {model.formula} with a random level for each subject"
    yield Results(caption, model.estimates, (model.cases.sentence,))

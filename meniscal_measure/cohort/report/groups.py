"""What the report says about groups of knees, and about all readings in one model."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from meniscal_measure.cohort.agreement.group_comparison import compare_groups, summarise_groups
from meniscal_measure.cohort.agreement.mixed import mixed_model
from meniscal_measure.cohort.readings import Readings, Texts
from meniscal_measure.cohort.report.document import Block, Heading, Paragraph, Results
from meniscal_measure.errors import AgreementError, UsageError

MOST_MODELLED = 5_000
"""Readings up to which the mixed model is fitted for a report: 6 s for 6,000 of them."""


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
        summaries = summarise_groups(knees.group, knees.extrusion_mm, knees.flag)
    except AgreementError as error:
        yield Paragraph(f"{label}: groups are not described. {error}")
        return
    for summary in summaries:
        name = f"group {summary.group}" if summary.group else "all knees"
        yield Results(f"{label}, {name}", summary.estimates, (summary.cases.sentence,))
    if len(summaries) == 2:
        first, second = (summary.group for summary in summaries)
        values = [knees.extrusion_mm[knees.group == group] for group in (first, second)]
        names = f"group {first or 'not named'} minus {second or 'not named'}"
        yield Results(f"{label}, {names}", compare_groups(*values), _both_knees(knees))


def _both_knees(knees: Readings) -> tuple[str, ...]:
    pairs = knees.subject.size - np.unique(knees.subject).size
    if not pairs:
        return ()
    return (f"{pairs} subjects have both knees here, which the test takes as independent.",)


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
    columns |= {"knee": readings.joined("subject", "side"), "examination": readings.knee}
    nested = _levels(columns)
    formula = f"extrusion_mm ~ {' + '.join(terms)}"
    try:
        model = mixed_model(formula, columns, subject="subject", nested=nested)
    except (AgreementError, UsageError) as error:
        yield Paragraph(f"No mixed model is reported. {error}")
        return
    levels = ", ".join(("subject", *nested))
    caption = f"{label}, linear mixed model {formula} with a random level for each {levels}"
    yield Results(caption, model.estimates, (model.cases.sentence, *model.remarks))


def _levels(columns: dict[str, Texts]) -> list[str]:
    """Choose the levels within a subject that the readings can tell from those about them."""
    found = []
    outer = np.unique(columns["subject"]).size
    for name in ("knee", "examination"):
        count = np.unique(columns[name]).size
        if outer < count < columns[name].size:
            found.append(name)
            outer = count
    return found

"""The main results again without readings that may be doubted."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from meniscal_measure.cohort.agreement.estimates import Estimate
from meniscal_measure.cohort.agreement.group_comparison import Sample, mean_of
from meniscal_measure.cohort.agreement.reliability import intraclass_correlations
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.agreement_section import RECOMMENDED
from meniscal_measure.cohort.paper.blocks import Table
from meniscal_measure.cohort.reader_agreement import with_most_in_common
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.visit_change import between_visits, visits_of
from meniscal_measure.errors import AgreementError

LOW_CONFIDENCE = 0.8
"""Confidence in a proposal below which it is left out here (common practice, no source)."""


def sensitivity_table(label: str, readings: Readings) -> Table:
    """Repeat mean, difference of changes and reliability with fewer readings."""
    rows = [
        (
            name,
            str(part.size),
            *(_text(statistic, part) for statistic in (_mean, _difference, _icc)),
        )
        for name, part in _choices(readings)
    ]
    header = ("Readings", "Number", "Mean extrusion (mm)", "Difference of changes (mm)", "ICC(2,1)")
    note = (
        "Each with its 95 % interval. The difference of changes is that of the last two groups"
        " between the first two visits. A dash: too few readings, or nothing to compare."
    )
    caption = f"{label}: sensitivity analyses"
    return Table(caption, header, tuple(rows), (note,))


def _choices(readings: Readings) -> Iterator[tuple[str, Readings]]:
    yield "all", readings
    verified = readings.marks.get("verified", np.ones(readings.size)) == 1
    confidence = readings.marks.get("confidence", np.full(readings.size, np.nan))
    yield "verified by a person only", readings.where(verified)
    sure = np.isnan(confidence) | (confidence >= LOW_CONFIDENCE) | verified
    yield f"without proposals of confidence below {LOW_CONFIDENCE:g}", readings.where(sure)
    yield "first readings only", readings.where(readings.repeat == 1)
    sides = readings.side.codes
    of_first = sides[readings.subject.first][readings.subject.codes]
    yield "one knee of each subject", readings.where(sides == of_first)


def _text(statistic: Callable[[Readings], Estimate], readings: Readings) -> str:
    try:
        line = statistic(readings)
    except AgreementError:
        return "–"
    if not np.isfinite(line.value):
        return "–"
    interval = interval_text(line)
    return number_text(line.value, line.unit) + (f" ({interval})" if interval else "")


def _mean(readings: Readings) -> Estimate:
    knees = readings.by_examination
    return mean_of("Mean", Sample(knees.extrusion_mm, knees.subject.codes))


def _difference(readings: Readings) -> Estimate:
    visits = visits_of(readings)
    if len(visits) < 2:
        raise AgreementError("There is one visit only.")
    found = between_visits(readings, (visits[0], visits[1]), detectable_mm=0.0).by_group()
    if found is None:
        raise AgreementError("There is one group only.")
    return found.differences[-1].difference


def _icc(readings: Readings) -> Estimate:
    return intraclass_correlations(with_most_in_common(readings.table)).forms[RECOMMENDED]

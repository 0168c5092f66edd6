"""The main results again without readings that may be doubted."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

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
    rows = [(name, str(part.size), *_cells(part)) for name, part in _choices(readings)]
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


def _cells(readings: Readings) -> tuple[str, str, str]:
    return tuple(map(_text, (_mean(readings), _difference(readings), _icc(readings))))  # type: ignore[return-value]


def _text(line: Estimate | None) -> str:
    if line is None or not np.isfinite(line.value):
        return "–"
    interval = interval_text(line)
    return number_text(line.value, line.unit) + (f" ({interval})" if interval else "")


def _mean(readings: Readings) -> Estimate | None:
    try:
        knees = readings.by_examination
        return mean_of("Mean", Sample(knees.extrusion_mm, knees.subject.codes))
    except AgreementError:  # fewer than two knees are left
        return None


def _difference(readings: Readings) -> Estimate | None:
    try:
        visits = next(pairwise(visits_of(readings)), None)
        if visits is None:
            return None
        found = between_visits(readings, visits, detectable_mm=0.0).by_group()
    except AgreementError:  # too few knees in a group
        return None
    return found.differences[-1].difference if found else None


def _icc(readings: Readings) -> Estimate | None:
    try:
        return intraclass_correlations(with_most_in_common(readings.table)).forms[RECOMMENDED]
    except AgreementError:  # one reader, or too few cases that all have read
        return None

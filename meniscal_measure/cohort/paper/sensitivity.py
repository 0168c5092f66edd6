"""The main results again without readings that may be doubted."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from meniscal_measure.cohort.agreement.estimates import Estimate
from meniscal_measure.cohort.agreement.group_comparison import Sample, mean_of
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.agreement_section import RECOMMENDED
from meniscal_measure.cohort.paper.blocks import Table
from meniscal_measure.cohort.reader_agreement import between_readers
from meniscal_measure.cohort.readings import Readings, mean_of_readings
from meniscal_measure.cohort.visit_change import between_visits, changes_by_group, visits_of
from meniscal_measure.errors import AgreementError

LOW_CONFIDENCE = 0.8
"""Confidence in a proposal below which it is left out here (common practice, no source)."""


def sensitivity_table(label: str, readings: Readings) -> Table:
    """Repeat mean, difference of changes and reliability with fewer readings."""
    rows = [(name, str(part.subject.size), *_cells(part)) for name, part in _choices(readings)]
    header = ("Readings", "Number", "Mean extrusion (mm)", "Difference of changes (mm)", "ICC(2,1)")
    note = (
        "Each with its 95 % interval. The difference of changes is that of the last two groups"
        " between the first two visits. A dash: too few readings, or nothing to compare."
    )
    caption = f"{label}: sensitivity analyses"
    return Table(caption, header, tuple(rows), (note,))


def _choices(readings: Readings) -> Iterator[tuple[str, Readings]]:
    yield "all", readings
    verified = readings.marks.get("verified", np.ones(readings.subject.size)) == 1
    confidence = readings.marks.get("confidence", np.full(readings.subject.size, np.nan))
    yield "verified by a person only", readings.where(verified)
    sure = np.isnan(confidence) | (confidence >= LOW_CONFIDENCE) | verified
    yield f"without proposals of confidence below {LOW_CONFIDENCE:g}", readings.where(sure)
    yield "first readings only", readings.where(readings.repeat == 1)
    _, first = np.unique(readings.subject, return_index=True)
    sides = dict(zip(readings.subject[first].tolist(), readings.side[first].tolist(), strict=True))
    one = np.array(
        [sides[s] == side for s, side in zip(readings.subject.tolist(), readings.side, strict=True)]
    )
    yield "one knee of each subject", readings.where(one)


def _cells(readings: Readings) -> tuple[str, str, str]:
    return tuple(map(_text, (_mean(readings), _difference(readings), _icc(readings))))  # type: ignore[return-value]


def _text(line: Estimate | None) -> str:
    if line is None or not np.isfinite(line.value):
        return "–"
    interval = interval_text(line)
    return number_text(line.value, line.unit) + (f" ({interval})" if interval else "")


def _mean(readings: Readings) -> Estimate | None:
    try:
        knees = mean_of_readings(readings)
        return mean_of("Mean", Sample(knees.extrusion_mm, knees.subject))
    except AgreementError:  # fewer than two knees are left
        return None


def _difference(readings: Readings) -> Estimate | None:
    try:
        visits = next(pairwise(visits_of(readings)), None)
        if visits is None:
            return None
        changes, _ = between_visits(readings, visits, detectable_mm=0.0)
        found = changes_by_group(changes, readings)
    except AgreementError:  # too few knees in a group
        return None
    return found.differences[-1].difference if found else None


def _icc(readings: Readings) -> Estimate | None:
    try:
        between = between_readers(readings)
    except AgreementError:  # too few cases that all have read
        return None
    return None if between is None else between.reliability.forms[RECOMMENDED]

"""Knees on which readers differ so much that a third look is needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.files import csv_text

COLUMNS = ("knee", "first_reader", "second_reader", "first_mm", "second_mm", "reason")


@dataclass(frozen=True)
class Dispute:
    """One knee and the two readers who differ most on it."""

    knee: str
    first_reader: str
    second_reader: str
    first_mm: float
    second_mm: float
    reason: str


def disputes(readings: Readings, detectable_mm: float) -> Iterator[Dispute]:
    """Find the knees on which readers differ beyond error, or on the flag.

    Parameters
    ----------
    readings
        All readings; only first ones count.
    detectable_mm
        Smallest detectable change of the method; a larger difference is no chance.

    Yields
    ------
    Dispute
        In the order of the knees' names, at most one for each.
    """
    first = readings.where(readings.repeat == 1)
    values = ratings_from_rows(first.knee, first.reader, first.extrusion_mm)
    flags = ratings_from_rows(first.knee, first.reader, first.flag).values
    for knee, row, flagged in zip(values.cases, values.values, flags, strict=True):
        seen = np.flatnonzero(~np.isnan(row))
        if seen.size < 2:
            continue
        low, high = (int(seen[place]) for place in (row[seen].argmin(), row[seen].argmax()))
        reason = _reason(float(row[high] - row[low]), flagged[seen].tolist(), detectable_mm)
        if reason:
            a, b = sorted((low, high))
            names = values.readers[a], values.readers[b]
            yield Dispute(knee, *names, float(row[a]), float(row[b]), reason)


def _reason(difference_mm: float, flags: list[float], detectable_mm: float) -> str:
    reasons = []
    if difference_mm > detectable_mm:
        reasons.append(
            f"differ by {difference_mm:.2f} mm, more than the smallest detectable change of"
            f" {detectable_mm:.2f} mm"
        )
    if len(set(flags)) > 1:
        reasons.append("differ on the flag")
    return "; ".join(reasons)


def disputes_csv(found: Iterable[Dispute]) -> str:
    """Write the list for the person who decides."""
    return csv_text(COLUMNS, ([getattr(one, column) for column in COLUMNS] for one in found))

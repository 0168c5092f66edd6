"""What the report says about change from visit to visit."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from meniscal_measure.cohort.agreement.plots import change_plot
from meniscal_measure.cohort.reader_agreement import DetectableChange
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Results,
    listing,
)
from meniscal_measure.cohort.visit_change import between_visits, visits_of
from meniscal_measure.errors import AgreementError

MOST_CHANGES = 100
"""Longest list of changes in the report."""


def visit_sections(label: str, readings: Readings, detectable: DetectableChange) -> Iterator[Block]:
    """Say how knees changed from each visit to the next, by the order of the visits' names."""
    visits = visits_of(readings)
    if len(visits) < 2:
        return
    yield Heading(f"{label}: change between visits", 3)
    yield Paragraph(
        "The change of a knee is the mean of the changes that each reader of both visits has seen;"
        " knees without such a reader count as missing. It is held against the smallest detectable"
        f" change of a single reading, {detectable.words}, which is the stricter limit where"
        " several readings were averaged. Repeats on the same images hold no error of scanning"
        " again. u is the standard uncertainty of the change, the errors of the two visits taken as"
        " independent."
    )
    for earlier, later in pairwise(visits):
        try:
            yield from _one_interval(label, readings, (earlier, later), detectable.value_mm)
        except AgreementError as error:
            yield Paragraph(f"From visit {earlier} to {later}: {error}")


def _one_interval(
    label: str, readings: Readings, visits: tuple[str, str], detectable_mm: float
) -> Iterator[Block]:
    changes, summary = between_visits(readings, visits, detectable_mm=detectable_mm)
    name = f"{label}, visit {visits[0]} to {visits[1]}"
    yield Results(name, summary.estimates, (summary.cases.sentence,))
    yield Plot(
        f"{name}: change against baseline; triangles lie beyond the smallest detectable change"
        f" (SDC, dashed lines at ± {detectable_mm:.2f} mm).",
        change_plot(changes),
    )
    known = np.flatnonzero(~np.isnan(changes.change_mm))
    order = known[np.argsort(-np.abs(changes.change_mm[known]), kind="stable")]
    rows = [
        (
            changes.knees[n],
            f"{changes.change_mm[n]:+.2f}",
            f"{changes.u_mm[n]:.2f}",
            "yes" if changes.exceeds_detectable[n] else "no",
            "yes" if changes.exceeds_uncertainty[n] else "no",
        )
        for n in order
    ]
    caption = f"{name}: change of each knee, the largest first"
    header = ("Knee", "Change (mm)", "u (mm)", "Beyond the SDC", "Beyond 1.96 u")
    yield listing(caption, header, rows, most=MOST_CHANGES)

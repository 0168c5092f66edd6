"""What the report says about extrusion as a sign of a reference finding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.agreement.cut_off import best_cut_off
from meniscal_measure.cohort.agreement.diagnostic import (
    Accuracy,
    accuracy,
    roc_curve,
)
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.plots import roc_plot
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.blocks import Block, Heading, Paragraph, Plot, Results, Table
from meniscal_measure.cohort.readings import Readings, flags_of, knee_label
from meniscal_measure.cohort.table_file import read_table
from meniscal_measure.errors import AgreementError, ManifestError
from meniscal_measure.report.words import threshold_words

COLUMNS = ("subject", "visit", "side", "finding")

FINDINGS = {"1": 1.0, "yes": 1.0, "0": 0.0, "no": 0.0, "": np.nan}
"""Accepted spellings of the finding, in small letters; empty where it is not known."""

CUT_OFFS_MM = (3.0, 4.0)
"""Cut-offs reported: the customary one, and the one that maximised sensitivity plus specificity
in Svensson, Eur Radiol 2019;29:2616-2623."""


CHOSEN = "The cut-off was chosen on these data; the corrected index is what to expect on new data."
NO_CUT_OFF = "No cut-off does better than chance."

PARTED = (
    "The measurement parts the cases with the finding from those without completely; such a table"
    " says nothing of the error of the area, and no interval is given."
)


@dataclass(frozen=True)
class Reference:
    """A finding made independently of the measurement, by knee and visit."""

    findings: Mapping[str, float]
    """1, 0 or NaN by the label that `readings.Readings.knee` gives the knee."""


def read_reference(path: Path) -> Reference:
    """Read reference findings from a table with the columns subject, visit, side, finding.

    Raises
    ------
    UsageError
        If the file cannot be read.
    ManifestError
        With every line that cannot be used.
    """
    table = read_table(path)
    if set(table.columns) != set(COLUMNS):
        raise ManifestError(
            "{path:private}: the columns must be {columns}. Found, {how}: {found:private}.",
            path=str(path),
            columns=", ".join(COLUMNS),
            how=table.how,
            found=", ".join(table.columns),
        )
    findings: dict[str, float] = {}
    problems = []
    for number, row in table.rows:
        side = SIDE_SPELLINGS.get(row.get("side", "").lower())
        said = row.get("finding", "").lower()
        if side is None or said not in FINDINGS:
            problems.append(f"line {number}: give side left or right, and finding 1, 0 or nothing")
            continue
        knee = knee_label(row.get("subject", ""), side.word, row.get("visit", ""))
        first = findings.setdefault(knee, FINDINGS[said])
        if not np.array_equal(first, FINDINGS[said], equal_nan=True):
            problems.append(f"line {number}: {knee} has another finding above; keep one")
    if problems:
        raise ManifestError(
            "{path:private} cannot be used:\n  {problems:private}",
            path=str(path),
            problems="\n  ".join(problems),
        )
    return Reference(findings)


def reference_sections(label: str, readings: Readings, reference: Reference) -> Iterator[Block]:
    """Compare the mean of each knee's readings with the reference at every threshold."""
    knees = readings.by_examination
    names = knees.examination.names.tolist()
    known_of = np.array([reference.findings.get(name, np.nan) for name in names])
    finding, owners = known_of[knees.examination.codes], knees.subject.codes
    yield Heading(f"{label}: against the reference finding")
    try:
        roc = roc_curve(knees.extrusion_mm, finding, subjects=owners)
    except AgreementError as error:
        yield Paragraph(f"No comparison is reported. {error}")
        return
    known = ~np.isnan(finding)
    best = best_cut_off(knees.extrusion_mm, finding, subjects=owners)
    lines = (roc.area, *(() if best is None else best.estimates))
    notes = [roc.cases.sentence, _frequency(finding[known])]
    notes += [] if roc.area.low is not None else [PARTED]
    notes.append(NO_CUT_OFF if best is None else CHOSEN)
    yield Results(f"{label}, ROC", lines, tuple(notes))
    cut_offs = sorted({knees.conventions.threshold_mm, *CUT_OFFS_MM})
    found = [_at(knees, finding, cut_off_mm) for cut_off_mm in cut_offs]
    yield _accuracy_table(label, found)
    for name, result in found:
        counts = _counts(result)
        yield Results(f"{label} {name}", result.estimates, (counts,), in_file_only=True)
    yield Plot(
        f"{label}: ROC curve against the reference finding; the square marks the flag,"
        f" {threshold_words(knees.conventions)}.",
        roc_plot(roc, knees.conventions),
    )


def _at(knees: Readings, finding: FloatArray, cut_off_mm: float) -> tuple[str, Accuracy]:
    conventions = replace(knees.conventions, threshold_mm=cut_off_mm)
    flags = flags_of(knees.extrusion_mm, conventions)
    return threshold_words(conventions), accuracy(flags, finding, subjects=knees.subject.codes)


def _counts(found: Accuracy) -> str:
    counts = found.counts
    return (
        f"true positive {counts.true_positive}, false negative {counts.false_negative},"
        f" false positive {counts.false_positive}, true negative {counts.true_negative}"
    )


def _accuracy_table(label: str, found: list[tuple[str, Accuracy]]) -> Table:
    rows = [
        (name, *(f"{number_text(line.value)} ({interval_text(line)})" for line in one.estimates))
        for name, one in found
    ]
    header = ("Rule", *(line.name for line in found[0][1].estimates))
    sources = dict.fromkeys(line.source for _, one in found for line in one.estimates)
    notes = [f"{name}: {_counts(one)}." for name, one in found]
    notes.append(f"95 % intervals: {'; '.join(sources)}.")
    return Table(f"{label}: accuracy of the flag", header, tuple(rows), tuple(notes))


def _frequency(finding: FloatArray) -> str:
    having = int(finding.sum())
    return (
        "Predictive values, and the proportion correct, hold only where the finding is as frequent"
        f" as here: {having} of {finding.size} cases ({100 * having / finding.size:.0f} %)."
    )

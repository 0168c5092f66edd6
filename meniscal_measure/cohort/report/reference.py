"""What the report says about extrusion as a sign of a reference finding."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.agreement.diagnostic import (
    accuracy,
    roc_curve,
)
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.plots import roc_plot
from meniscal_measure.cohort.readings import Readings, flags_of, knee_label, mean_of_readings
from meniscal_measure.cohort.report.document import Block, Heading, Paragraph, Plot, Results
from meniscal_measure.errors import AgreementError, ManifestError, UsageError
from meniscal_measure.report.words import threshold_words

COLUMNS = ("subject", "visit", "side", "finding")

FINDINGS = {"1": 1.0, "yes": 1.0, "0": 0.0, "no": 0.0, "": np.nan}
"""Accepted spellings of the finding, in small letters; empty where it is not known."""

CUT_OFFS_MM = (3.0, 4.0)
"""Cut-offs reported: the customary one, and the one that maximised sensitivity plus specificity
in Svensson, Eur Radiol 2019;29:2616-2623."""


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
    """Read reference findings from a CSV file with the columns subject, visit, side, finding.

    Raises
    ------
    UsageError
        If the file cannot be read.
    ManifestError
        With every line that cannot be used.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = csv.DictReader(stream)
            if set(rows.fieldnames or ()) != set(COLUMNS):
                raise ManifestError(f"{path}: the columns must be {', '.join(COLUMNS)}.")
            lines = [(rows.line_num, row) for row in rows]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{path} cannot be read as CSV in UTF-8: {error}.") from error
    findings: dict[str, float] = {}
    problems = []
    for number, row in lines:
        side = SIDE_SPELLINGS.get((row["side"] or "").strip().lower())
        said = (row["finding"] or "").strip().lower()
        if side is None or said not in FINDINGS:
            problems.append(f"line {number}: give side left or right, and finding 1, 0 or nothing")
            continue
        subject, visit = ((row[name] or "").strip() for name in ("subject", "visit"))
        knee = knee_label(subject, side.word, visit)
        first = findings.setdefault(knee, FINDINGS[said])
        if not np.array_equal(first, FINDINGS[said], equal_nan=True):
            problems.append(f"line {number}: {knee} has another finding above; keep one")
    if problems:
        raise ManifestError(f"{path} cannot be used:\n  " + "\n  ".join(problems))
    return Reference(findings)


def reference_sections(label: str, readings: Readings, reference: Reference) -> Iterator[Block]:
    """Compare the mean of each knee's readings with the reference at every threshold."""
    knees = mean_of_readings(readings)
    finding = np.array([reference.findings.get(knee, np.nan) for knee in knees.knee.tolist()])
    yield Heading(f"{label}: against the reference finding", 3)
    try:
        roc = roc_curve(knees.extrusion_mm, finding, subjects=knees.subject)
    except AgreementError as error:
        yield Paragraph(f"No comparison is reported. {error}")
        return
    known = ~np.isnan(finding)
    notes = (_frequency(finding[known]),)
    parted = () if roc.area.low is not None else (PARTED,)
    yield Results(f"{label}, ROC", roc.estimates, (roc.cases.sentence, *parted, *notes))
    yield Plot(
        f"{label}: ROC curve against the reference finding; the square marks the flag,"
        f" {threshold_words(knees.conventions)}.",
        roc_plot(roc, knees.conventions),
    )
    for cut_off_mm in sorted({knees.conventions.threshold_mm, *CUT_OFFS_MM}):
        conventions = replace(knees.conventions, threshold_mm=cut_off_mm)
        found = accuracy(flags_of(knees.extrusion_mm, conventions), finding, subjects=knees.subject)
        counts, cases = found.counts, found.cases
        table = (
            f"true positive {counts.true_positive}, false negative {counts.false_negative},"
            f" false positive {counts.false_positive}, true negative {counts.true_negative}"
        )
        estimates = found.estimates
        caption = f"{label} {threshold_words(conventions)}"
        yield Results(caption, estimates, (table, cases.sentence))


def _frequency(finding: FloatArray) -> str:
    having = int(finding.sum())
    return (
        "Predictive values, and the proportion correct, hold only where the finding is as frequent"
        f" as here: {having} of {finding.size} cases ({100 * having / finding.size:.0f} %)."
    )

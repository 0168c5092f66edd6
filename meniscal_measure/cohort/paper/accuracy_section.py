"""What the report says about extrusion as a sign of a reference finding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from meniscal_measure.anatomy import SIDE_SPELLINGS
from meniscal_measure.cohort.agreement.cut_off import best_cut_off
from meniscal_measure.cohort.agreement.diagnostic import Accuracy, accuracy, roc_curve
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.plots import roc_plot
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.blocks import Block, Heading, Paragraph, Plot, Results, Table
from meniscal_measure.cohort.readings import Readings, flags_of, knee_label
from meniscal_measure.cohort.table_file import as_name, read_table
from meniscal_measure.errors import AgreementError, ManifestError
from meniscal_measure.report.words import threshold_words

COLUMNS = ("subject", "visit", "side", "finding")

FINDINGS = {"1": 1.0, "yes": 1.0, "0": 0.0, "no": 0.0, "": np.nan}
"""Accepted spellings of the finding, in lower case; empty where it is not known."""

CUT_OFFS_MM = (3.0, 4.0)
"""Cut-offs reported: the customary one, and the one that maximised sensitivity plus specificity
in Svensson, Eur Radiol 2019;29:2616-2623."""

CHOSEN = "The cut-off was chosen on these data; the corrected index is what to expect on new data."
NO_CUT_OFF = "No cut-off does better than chance."

SEPARATED = (
    "The measurement separates the cases with and without the finding completely; the error of the"
    " area cannot be estimated from them, and no interval is given."
)


def read_reference(path: Path) -> dict[str, float]:
    """Read findings made independently of the measurement: subject, visit, side, finding.

    Returns
    -------
    dict
        1, 0 or NaN by the label that `readings.knee_label` gives a knee at a visit.

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
        subject, visit = (as_name(row.get(name, "")) for name in ("subject", "visit"))
        knee = knee_label(subject, side.word, visit)
        first = findings.setdefault(knee, FINDINGS[said])
        if not np.array_equal(first, FINDINGS[said], equal_nan=True):
            problems.append(f"line {number}: {knee} has another finding above; keep one")
    if problems:
        raise ManifestError(
            "{path:private} cannot be used:\n  {problems:private}",
            path=str(path),
            problems="\n  ".join(problems),
        )
    return findings


def reference_sections(
    label: str, readings: Readings, reference: Mapping[str, float]
) -> Iterator[Block]:
    """Compare the mean of each knee's readings with the reference at every threshold."""
    knees = readings.by_examination
    names = knees.examination.names.tolist()
    known_of = np.array([reference.get(name, np.nan) for name in names])
    finding, owners = known_of[knees.examination.codes], knees.subject.codes
    yield Heading(f"{label}: against the reference finding")
    try:
        roc = roc_curve(knees.extrusion_mm, finding, subjects=owners)
    except AgreementError as error:
        yield Paragraph(f"No comparison is reported. {error}")
        return
    best = best_cut_off(knees.extrusion_mm, finding, subjects=owners)
    lines = (roc.area, *(() if best is None else best.estimates))
    notes = [roc.cases.sentence, _frequency(finding[~np.isnan(finding)])]
    notes += [] if roc.area.low is not None else [SEPARATED]
    notes.append(NO_CUT_OFF if best is None else CHOSEN)
    yield Results(f"{label}, ROC", lines, tuple(notes))
    cut_offs = sorted({knees.conventions.threshold_mm, *CUT_OFFS_MM})
    rules = [replace(knees.conventions, threshold_mm=cut_off_mm) for cut_off_mm in cut_offs]
    flags = [flags_of(knees.extrusion_mm, rule) for rule in rules]
    found = [
        (threshold_words(rule), accuracy(flagged, finding, subjects=owners))
        for rule, flagged in zip(rules, flags, strict=True)
    ]
    yield _accuracy_table(label, found)
    for name, result in found:
        caption = f"{label} {name}"
        yield Results(caption, result.estimates, (_counts(result),), in_file_only=True)
    yield Plot(
        f"{label}: ROC curve against the reference finding; the square marks the flag,"
        f" {threshold_words(knees.conventions)}.",
        roc_plot(roc, knees.conventions),
    )


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

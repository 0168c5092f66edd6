"""What the report says about readers, and about a change that is beyond their error."""

from __future__ import annotations

from collections.abc import Iterator

from meniscal_measure.caliper.grades import GRADE_RULE
from meniscal_measure.cohort.adjudication import disputes
from meniscal_measure.cohort.agreement.plots import limits_plot
from meniscal_measure.cohort.reader_agreement import (
    BetweenReaders,
    DetectableChange,
    PairOfReaders,
    WithinReader,
    between_readers,
    within_readers,
)
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Results,
    listing,
)
from meniscal_measure.errors import AgreementError

MOST_DISPUTES = 500
"""Longest list for adjudication in the report."""


def reader_sections(
    label: str, readings: Readings, detectable: DetectableChange
) -> Iterator[Block]:
    """Say how readers agree with each other and with themselves; nothing if one read once."""
    try:
        between = between_readers(readings)
    except AgreementError as error:
        yield Paragraph(f"{label}: agreement between readers is not reported. {error}")
    else:
        if between is not None:
            yield Heading(f"{label}: between readers", 3)
            yield from _between(label, between)
            yield from _adjudication(label, readings, detectable)
    for one in within_readers(readings):
        yield Heading(f"{label}: repeats by reader {named(one.reader)}", 3)
        yield _repeats(label, one)


def _repeats(label: str, within: WithinReader) -> Block:
    repeats = within.repeats
    if repeats.identical:
        return Paragraph(
            f"The repeats of all {repeats.cases} cases are identical, as copies of one reading are;"
            " no error is reported from them. Check that no file is listed twice."
        )
    try:
        reliability, error = within.reliability, within.error
    except AgreementError as problem:
        return Paragraph(f"Agreement of the repeats is not reported. {problem}")
    said = [reliability.cases.sentence]
    columns = len(within.table.readers)
    if reliability.cases.used * columns < repeats.readings:
        said.append(
            f"Cases were not read equally often; the table takes {columns} readings of each. All"
            f" {repeats.readings} readings of {repeats.cases} cases have a within-case SD of"
            f" {repeats.sd:.2f} mm with {repeats.freedom} degrees of freedom."
        )
    lines = reliability.estimates + error.estimates
    return Results(f"{label}, reader {named(within.reader)}, repeated readings", lines, tuple(said))


def named(reader: str) -> str:
    """Name of a reader; the manifest may have left it empty."""
    return reader or "not named"


def _between(label: str, between: BetweenReaders) -> Iterator[Block]:
    names, used = ", ".join(map(named, between.readers)), between.reliability.cases.used
    if between.identical:
        yield Paragraph(
            f"Readers {names} have identical values in all {used} cases, as copies of one reading"
            " have; no agreement is reported from them. Check that no file is listed twice."
        )
        return
    lines = between.reliability.estimates + between.error.estimates
    said = [between.reliability.cases.sentence]
    if between.subjects < used:
        said.append(
            f"The {used} cases come from {between.subjects} subjects; the intervals respect that."
        )
    yield Results(f"{label}, readers {names}", lines, tuple(said))
    for pair in between.pairs:
        yield from _pair(label, pair)


def _pair(label: str, pair: PairOfReaders) -> Iterator[Block]:
    who = f"readers {named(pair.first)} and {named(pair.second)}"
    said = [
        f"Differences are {named(pair.first)} minus {named(pair.second)}.",
        pair.proportional.cases.sentence,
    ]
    if pair.limits.cases.used < pair.proportional.cases.used:
        subjects = pair.limits.cases.used
        said.append(f"The limits take them as repeated measurements of {subjects} subjects.")
    lines = (*pair.limits.estimates, *pair.proportional.estimates)
    yield Results(f"{label}, {who}", lines, tuple(said))
    flags, grades = pair.flags, () if pair.grades is None else pair.grades.estimates
    counts = (
        f"Flagged by both {flags.both}, only by {named(pair.first)} {flags.only_first}, only by"
        f" {named(pair.second)} {flags.only_second}, by neither {flags.neither}."
    )
    notes = [counts, *([GRADE_RULE] if grades else []), flags.cases.sentence]
    if any(kappa is not None and kappa.kappa.low is None for kappa in (flags.kappa, pair.grades)):
        notes.append("Where agreement is complete the error of kappa is unknown: no interval.")
    yield Results(f"{label}, flag and grade by {who}", (*flags.estimates, *grades), tuple(notes))
    yield Plot(
        f"{label}: difference against mean of {who}, with bias, limits of agreement and their"
        " 95 % intervals (grey).",
        limits_plot(*pair.values, pair.limits, names=(named(pair.first), named(pair.second))),
    )


def _adjudication(label: str, readings: Readings, detectable: DetectableChange) -> Iterator[Block]:
    rows = [
        (one.knee, named(one.first_reader), f"{one.first_mm:.2f}", named(one.second_reader),
         f"{one.second_mm:.2f}", one.reason)
        for one in disputes(readings, detectable.value_mm)
    ]  # fmt: skip
    header = ("Knee", "Reader", "mm", "Reader", "mm", "Reason")
    caption = f"{label}: for adjudication, beyond the smallest detectable change or on the flag"
    yield listing(caption, header, rows, most=MOST_DISPUTES)

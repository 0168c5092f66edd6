"""What the report says about readers, and about a change that is beyond their error."""

from __future__ import annotations

from collections.abc import Iterator

from meniscal_measure.cohort.adjudication import disputes
from meniscal_measure.cohort.agreement.plots import limits_plot
from meniscal_measure.cohort.analysis import (
    BetweenReaders,
    PairOfReaders,
    Readings,
    between_readers,
    within_readers,
)
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


def reader_sections(label: str, readings: Readings) -> Iterator[Block]:
    """Say how readers agree with each other and with themselves; nothing if one read once."""
    try:
        between = between_readers(readings)
        within = within_readers(readings)
    except AgreementError as error:
        yield Paragraph(f"{label}: agreement of readers is not reported. {error}")
        return
    if between is not None:
        yield Heading(f"{label}: between readers", 3)
        yield from _between(label, between)
        yield from _adjudication(label, readings, between)
    for one in within:
        yield Heading(f"{label}: repeats by reader {one.reader}", 3)
        lines = one.reliability.estimates + one.error.estimates
        said = (one.reliability.cases.sentence,)
        yield Results(f"{label}, reader {one.reader}, repeated readings", lines, said)


def _between(label: str, between: BetweenReaders) -> Iterator[Block]:
    lines = between.reliability.estimates + between.error.estimates
    said = (between.reliability.cases.sentence,)
    yield Results(f"{label}, readers {', '.join(between.readers)}", lines, said)
    for pair in between.pairs:
        yield from _pair(label, pair)


def _pair(label: str, pair: PairOfReaders) -> Iterator[Block]:
    who = f"readers {pair.first} and {pair.second}"
    grades = () if pair.grades is None else pair.grades.estimates
    lines = (*pair.limits.estimates, *pair.proportional.estimates, *pair.flags.estimates, *grades)
    yield Results(f"{label}, {who}", lines, (pair.limits.cases.sentence,))
    yield Plot(
        f"{label}: difference against mean of {who}, with bias, limits of agreement and their"
        " 95 % intervals.",
        limits_plot(*pair.values, pair.limits),
    )


def _adjudication(label: str, readings: Readings, between: BetweenReaders) -> Iterator[Block]:
    limit = between.error.sdc_consistency.value
    rows = [
        (one.knee, one.first_reader, f"{one.first_mm:.2f}", one.second_reader,
         f"{one.second_mm:.2f}", one.reason)
        for one in disputes(readings, limit)
    ]  # fmt: skip
    header = ("Knee", "Reader", "mm", "Reader", "mm", "Reason")
    yield listing(f"{label}: for adjudication", header, rows, most=MOST_DISPUTES)

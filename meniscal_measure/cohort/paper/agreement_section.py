"""What the report says about readers: one recommended form of each statistic, others in files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from meniscal_measure.caliper.grades import GRADE_RULE
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.adjudication import to_adjudicate
from meniscal_measure.cohort.agreement.chance_corrected import fleiss_kappa, gwet_ac1
from meniscal_measure.cohort.agreement.estimates import Estimate
from meniscal_measure.cohort.agreement.labels import named
from meniscal_measure.cohort.agreement.plots import limits_plot
from meniscal_measure.cohort.agreement.ratings import Ratings
from meniscal_measure.cohort.agreement.reliability import IccForm
from meniscal_measure.cohort.agreement.tables import number_text
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    Plot,
    Results,
    Table,
)
from meniscal_measure.cohort.reader_agreement import (
    GRADES,
    BetweenReaders,
    DetectableChange,
    PairOfReaders,
    WithinReader,
    between_readers,
    within_readers,
)
from meniscal_measure.cohort.readings import Readings, flags_of, grades_of
from meniscal_measure.errors import AgreementError

RECOMMENDED = IccForm.TWO_WAY_RANDOM
"""Absolute agreement of a single reading: the same formula serves several readers who stand for
others, and one reader with repeats (Koo TK, Li MY. J Chiropr Med 2016;15:155-163)."""

REASON_BETWEEN = (
    "ICC(2,1) is recommended for this design (Koo TK, Li MY. J Chiropr Med 2016;15:155-163): the"
    " same readers read every case (two-way), stand for readers at large (random), systematic"
    " differences between them count as error (absolute agreement), and a single reading is what is"
    " used in practice. The other five forms are in a file of their own."
)
REASON_WITHIN = (
    "For repeats by one reader the form is two-way, absolute agreement, single reading (Koo TK, Li"
    " MY 2016), whose formula is that of ICC(2,1)."
)

GRADES_OF_ICC = ((0.5, "poor"), (0.75, "moderate"), (0.9, "good"), (1.01, "excellent"))
"""Upper limits of the words for reliability, read off the interval's ends (Koo and Li 2016)."""

MOST_PLOTTED = 3
"""Pairs of readers whose differences are plotted: those with the most cases."""


def agreement_sections(
    label: str, readings: Readings, detectable: DetectableChange
) -> Iterator[Block]:
    """Say how readers agree with each other and with themselves; nothing if one read once."""
    within = within_readers(readings)
    if within or readings.reader.count > 1:
        yield Heading(f"{label}: agreement of readers")
    try:
        between = between_readers(readings)
    except AgreementError as error:
        yield Paragraph(f"{label}: agreement between readers is not reported. {error}")
    else:
        if between is not None:
            yield from _between(label, between, readings)
            yield _adjudication(label, readings, detectable)
    for one in within:
        yield _repeats(label, one)


def reliability_words(icc: Estimate) -> str:
    """Say in a word how reliable readings are, or that the number is not a reliability.

    Examples
    --------
    >>> reliability_words(Estimate("ICC", 0.85, 0.7, 0.93))
    'moderate to excellent'
    """
    if not np.isfinite(icc.value):
        return "not defined for these readings"
    if icc.value < 0:
        return "negative: readings of one case differ more than cases do; no reliability is shown"
    low, high = (icc.value if end is None else end for end in (icc.low, icc.high))
    first, last = (
        next(word for limit, word in GRADES_OF_ICC if end < limit) for end in (low, high)
    )
    return first if first == last else f"{first} to {last}"


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
    said = [reliability.cases.sentence, REASON_WITHIN]
    columns = len(within.table.readers)
    if reliability.cases.used * columns < repeats.readings:
        said.append(
            f"Cases were not read equally often; the table takes {columns} readings of each. All"
            f" {repeats.readings} readings of {repeats.cases} cases have a within-case SD of"
            f" {repeats.sd:.2f} mm with {repeats.freedom} degrees of freedom."
        )
    lines = (reliability.forms[RECOMMENDED], error.within_case_sd, error.repeatability_coefficient)
    name = f"{label}, reader {named(within.reader)}, repeated readings"
    return Results(name, lines, tuple(said))


def _between(label: str, between: BetweenReaders, readings: Readings) -> Iterator[Block]:
    names, used = ", ".join(map(named, between.readers)), between.reliability.cases.used
    if between.identical:
        yield Paragraph(
            f"Readers {names} have identical values in all {used} cases, as copies of one reading"
            " have; no agreement is reported from them. Check that no file is listed twice."
        )
        return
    icc = between.reliability.forms[RECOMMENDED]
    lines = (icc, *between.error.estimates, *_together(between.table, readings.conventions))
    said = [between.reliability.cases.sentence, f"Reliability: {reliability_words(icc)}."]
    if between.subjects < used:
        said.append(
            f"The {used} cases come from {between.subjects} subjects; the intervals allow for this."
        )
    if between.left_out:
        fewer = ", ".join(map(named, between.left_out))
        said.append(f"Read too few of these cases, and compared in pairs only: {fewer}.")
    yield Paragraph(REASON_BETWEEN, once=True)
    yield Results(f"{label}, readers {names}", lines, tuple(said))
    forms = between.reliability.forms
    others = tuple(line for form, line in forms.items() if form is not RECOMMENDED)
    caption = f"{label}, readers {names}, the other forms of the ICC"
    yield Results(caption, others, in_file_only=True)
    if len(between.pairs) > 1:
        yield _pair_table(label, between)
    largest = sorted(between.pairs, key=lambda pair: -pair.proportional.cases.used)[:MOST_PLOTTED]
    plotted = {(pair.first, pair.second) for pair in largest}
    for pair in between.pairs:
        is_plotted = (pair.first, pair.second) in plotted
        yield from _pair(label, pair, len(between.pairs) > 1, not is_plotted)


def _together(table: Ratings, conventions: Conventions) -> Iterator[Estimate]:
    """Agreement on the flag and the grade of three readers or more, all at once."""
    if table.readers.size < 3:
        return
    flags, grades = flags_of(table.values, conventions), grades_of(table.values)
    for what, values, count in (("flag", flags, 2), ("grade", grades, GRADES)):
        for statistic in (fleiss_kappa, gwet_ac1):
            found = statistic(values, grades=count, subjects=table.subjects)
            yield replace(found, name=f"{found.name}, {what}")


def _pair_table(label: str, between: BetweenReaders) -> Table:
    rows = [
        (f"{named(p.first)} minus {named(p.second)}", str(p.proportional.cases.used),
         number_text(p.limits.bias.value, "mm"),
         f"{number_text(p.limits.lower.value, 'mm')} to {number_text(p.limits.upper.value, 'mm')}",
         number_text(p.flags.overall.value),
         "–" if p.flags.kappa is None else number_text(p.flags.kappa.kappa.value),
         number_text(p.flags.ac1.value),
         "–" if p.grades is None else number_text(p.grades.kappa.value))
        for p in between.pairs
    ]  # fmt: skip
    header = ("Readers", "Cases", "Bias (mm)", "Limits of agreement (mm)", "Agree on flag",
              "Kappa, flag", "AC1, flag", "Weighted kappa, grade")  # fmt: skip
    note = "The intervals and sources of each pair are in files of their own."
    return Table(f"{label}, every two readers", header, tuple(rows), (note,))


def _pair(
    label: str, pair: PairOfReaders, in_file_only: bool, plot_in_file_only: bool
) -> Iterator[Block]:
    who = f"readers {named(pair.first)} and {named(pair.second)}"
    said = [
        f"Differences are {named(pair.first)} minus {named(pair.second)}.",
        pair.proportional.cases.sentence,
    ]
    if pair.limits.cases.used < pair.proportional.cases.used:
        subjects = pair.limits.cases.used
        said.append(f"The limits take them as repeated measurements of {subjects} subjects.")
    lines = (*pair.limits.estimates, *pair.proportional.estimates)
    yield Results(f"{label}, {who}", lines, tuple(said), in_file_only)
    flags, grades = pair.flags, () if pair.grades is None else (pair.grades.kappa,)
    counts = (
        f"Flagged by both {flags.both}, only by {named(pair.first)} {flags.only_first}, only by"
        f" {named(pair.second)} {flags.only_second}, by neither {flags.neither}."
    )
    notes = [counts, *([f"Weighted kappa is of the grades. {GRADE_RULE}"] if grades else [])]
    notes.append("Kappa falls where one kind of case is rare though readers agree; AC1 does not.")
    if any(kappa is not None and kappa.kappa.low is None for kappa in (flags.kappa, pair.grades)):
        notes.append("Where agreement is complete the error of kappa is unknown: no interval.")
    estimates = (*flags.estimates, *grades)
    caption = f"{label}, flag and grade by {who}"
    yield Results(caption, estimates, tuple(notes), in_file_only)
    yield Plot(
        f"{label}: difference against mean of {who}, with bias, limits of agreement and their"
        " 95 % intervals (grey).",
        limits_plot(*pair.values, pair.limits, names=(named(pair.first), named(pair.second))),
        plot_in_file_only,
    )


def _adjudication(label: str, readings: Readings, detectable: DetectableChange) -> Listing:
    def rows() -> Iterator[tuple[str, ...]]:
        for one in to_adjudicate(readings, detectable.value_mm):
            first, second = f"{one.first_mm:.2f}", f"{one.second_mm:.2f}"
            yield (
                one.knee, named(one.first_reader), first, named(one.second_reader), second,
                one.reason,
            )  # fmt: skip

    header = ("Knee", "Reader", "mm", "Reader", "mm", "Reason")
    caption = f"{label}: for adjudication, beyond the smallest detectable change or on the flag"
    return Listing(caption, header, rows)

"""The main results in one table, and in sentences for a results section."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from meniscal_measure.cohort.agreement.estimates import Estimate, as_percent
from meniscal_measure.cohort.agreement.group_comparison import summarise_groups
from meniscal_measure.cohort.agreement.labels import named
from meniscal_measure.cohort.agreement.tables import interval_text, number_text
from meniscal_measure.cohort.paper.agreement_section import RECOMMENDED, reliability_words
from meniscal_measure.cohort.paper.blocks import Block, Paragraph, Table
from meniscal_measure.cohort.reader_agreement import DetectableChange, between_readers
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.visit_change import between_visits, visits_of
from meniscal_measure.errors import AgreementError


@dataclass(frozen=True)
class KeyResult:
    """One main result: as a line of the table, and as a sentence."""

    name: str
    line: Estimate
    remark: str
    sentence: str


def key_results(parts: Sequence[tuple[str, Readings, DetectableChange]]) -> list[Block]:
    """Put the main results of each compartment into a table and into sentences.

    Parameters
    ----------
    parts
        Label, readings and smallest detectable change of each compartment.
    """
    found = [one for part in parts for one in _results(*part)]
    rows = tuple(
        (one.name, number_text(one.line.value, one.line.unit), interval_text(one.line), one.remark)
        for one in found
    )
    table = Table("Key results", ("", "Result", "95 % interval", ""), rows)
    return [table, Paragraph("Results. " + " ".join(one.sentence for one in found))]


def _with_interval(line: Estimate) -> str:
    interval, unit = interval_text(line), f" {line.unit}" if line.unit else ""
    between = f" (95 % interval {interval})" if interval else ""
    return f"{number_text(line.value, line.unit)}{unit}{between}"


def _results(label: str, readings: Readings, detectable: DetectableChange) -> Iterator[KeyResult]:
    yield from _at_first_visit(label, readings)
    yield from _change(label, readings, detectable)
    yield from _agreement(label, readings)
    change = detectable.estimate
    sentence = f"The smallest detectable change of {label.lower()} was {detectable.words}."
    yield KeyResult(f"{label}, smallest detectable change", change, "mm", sentence)


def _at_first_visit(label: str, readings: Readings) -> Iterator[KeyResult]:
    visit = visits_of(readings)[0]
    seen = readings.where(readings.visit.is_(visit)).by_examination
    if seen.size < 2:
        return
    owners = seen.subject.codes
    (whole,) = summarise_groups(["all"] * seen.size, seen.extrusion_mm, seen.flag, subjects=owners)
    at = f"at visit {visit}" if visit else "at the visit"
    yield KeyResult(
        f"{label}, mean {at}", whole.mean, "mm",
        f"Mean {label.lower()} {at} was {_with_interval(whole.mean)}, SD {whole.sd.value:.2f} mm.",
    )  # fmt: skip
    flagged = as_percent(whole.flagged)
    yield KeyResult(
        f"{label}, flagged {at}", flagged, "% of knees",
        f"{_with_interval(flagged)} of the knees were flagged.",
    )  # fmt: skip


def _change(label: str, readings: Readings, detectable: DetectableChange) -> Iterator[KeyResult]:
    visits = visits_of(readings)
    if len(visits) < 2:
        return
    ends = visits[0], visits[-1]
    try:
        change = between_visits(readings, ends, detectable_mm=detectable.value_mm)
        summary, found = change.summary, change.by_group()
    except AgreementError:  # the section on change says why
        return
    span = f"from visit {ends[0]} to {ends[1]}"
    sentence = f"{label} changed by {_with_interval(summary.mean)} {span}."
    yield KeyResult(f"{label}, change {span}", summary.mean, "mm", sentence)
    for one in found.differences if found else ():
        first, second = named(one.first), named(one.second)
        p = number_text(one.p_adjusted)
        adjusted = f"adjusted p {p if p.startswith('<') else f'= {p}'}"
        yield KeyResult(
            f"{label}, change {span}, {first} minus {second}", one.difference, f"mm, {adjusted}",
            f"The difference of these changes, {first} minus {second}, was"
            f" {_with_interval(one.difference)}, {adjusted}.",
        )  # fmt: skip


def _agreement(label: str, readings: Readings) -> Iterator[KeyResult]:
    try:
        between = between_readers(readings)
    except AgreementError:  # the section on agreement says why
        return
    if between is None or between.identical:
        return
    icc = between.reliability.forms[RECOMMENDED]
    words, readers = reliability_words(icc), len(between.readers)
    sentence = f"ICC(2,1) of {readers} readers was {_with_interval(icc)}, {words}."
    yield KeyResult(f"{label}, ICC(2,1)", icc, words, sentence)

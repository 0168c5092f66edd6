"""The report of a cohort, in the order of a paper: the study's question before the method's."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.cohort.agreement.labels import BETWEEN, Coder, named
from meniscal_measure.cohort.agreement.plots import distribution_plot
from meniscal_measure.cohort.columns import COMPARTMENTS
from meniscal_measure.cohort.identity_doubts import identity_doubts
from meniscal_measure.cohort.paper.accuracy_section import reference_sections
from meniscal_measure.cohort.paper.agreement_section import agreement_sections
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    Plot,
    References,
    Table,
    in_files,
)
from meniscal_measure.cohort.paper.change_section import change_sections
from meniscal_measure.cohort.paper.checklists import checklist_tables
from meniscal_measure.cohort.paper.covariates import table_one
from meniscal_measure.cohort.paper.key_results import key_results
from meniscal_measure.cohort.paper.methods import methods_sections
from meniscal_measure.cohort.paper.participant_flow import Flow, count_flow, flow_plot
from meniscal_measure.cohort.paper.sensitivity import sensitivity_table
from meniscal_measure.cohort.reader_agreement import DetectableChange, detectable_change
from meniscal_measure.cohort.readings import Readings, load_compartments
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.visit_change import visits_of
from meniscal_measure.errors import AgreementError
from meniscal_measure.findings import Finding
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.words import threshold_words

TITLE = "Meniscal extrusion in a cohort"

MOST_DOUBTS = 8
"""Different doubts about identity that the report shows; a file lists them all."""


@dataclass(frozen=True)
class Part:
    """The readings of one compartment."""

    compartment: Compartment
    readings: Readings
    detectable: DetectableChange

    @property
    def label(self) -> str:
        """What was measured, as the axis of a plot names it."""
        return f"{self.compartment.words.capitalize()} extrusion"


def cohort_report(
    store: Store,
    *,
    reference: Mapping[str, float] | None = None,
    slice_convention: SliceConvention | None = None,
) -> list[Block]:
    """Collect what a methods and a results section need.

    The first measured compartment, the medial one if there is any, is the subject of the text; the
    other has a line in the key results, and its tables and plots as files.

    Parameters
    ----------
    store
        The store of the cohort.
    reference
        Reference findings to compare medial extrusion with, from `read_reference`.
    slice_convention
        Report only readings on slices chosen by this rule.

    Raises
    ------
    AgreementError
        If nothing has been measured yet, or under conventions that do not compare.
    """
    flow = count_flow(store, slice_convention)
    if not flow.measured:
        raise AgreementError(
            "Nothing has been measured in this store yet; measure the cohort first."
        )
    measured = load_compartments(store, slice_convention=slice_convention)
    parts = [Part(where, found, detectable_change(found)) for where, found in measured.items()]
    main = parts[0]
    blocks: list[Block] = [Heading(TITLE, 1), Paragraph(NOTICE)]
    blocks += key_results([(part.label, part.readings, part.detectable) for part in parts])
    blocks += methods_sections(flow, store.last_settings() or {}, main.detectable)
    blocks += _participants(flow, main.readings)
    blocks += _distribution(main)
    blocks += change_sections(main.label, main.readings, main.detectable)
    blocks += agreement_sections(main.label, main.readings, main.detectable)
    if reference is not None and main.compartment is Compartment.MEDIAL:
        blocks += reference_sections(main.label, main.readings, reference)
    blocks += [Heading("Sensitivity analyses"), sensitivity_table(main.label, main.readings)]
    for part in parts[1:]:
        blocks += in_files(change_sections(part.label, part.readings, part.detectable))
        blocks += in_files(_distribution(part))
        blocks += in_files(agreement_sections(part.label, part.readings, part.detectable))
    blocks += _quality(store, flow)
    blocks += [References(), Heading("Reporting guidelines")]
    blocks += checklist_tables(against_reference=reference is not None)
    return blocks


def _participants(flow: Flow, readings: Readings) -> Iterator[Block]:
    yield Heading("Inclusions")
    yield Paragraph(
        f"The manifest names {flow.entries} readings of {flow.subjects} subjects:"
        f" {flow.excluded.total()} excluded, {flow.failed.total()} not measured or left out, and"
        f" {flow.measured} readings of {flow.measured_subjects} subjects analysed. Readings"
        f" flagged: {flow.flagged}."
    )
    yield table_one(readings)
    yield Plot("Flow of readings from the manifest to the analysis.", flow_plot(flow))
    if flow.excluded:
        yield Listing("Exclusions", ("Reason", "Readings"), flow.excluded.most_common)


def _distribution(part: Part) -> Iterator[Block]:
    knees = part.readings.by_examination
    visits = visits_of(knees)
    for number, visit in enumerate(visits):
        label = part.label if len(visits) == 1 else f"{part.label}, visit {named(visit)}"
        seen = knees.where(knees.visit.is_(visit))
        yield Plot(
            f"Distribution of {label.lower()}; each knee by the mean of its readings, flagged where"
            f" that is {threshold_words(knees.conventions)}.",
            distribution_plot(seen.extrusion_mm, knees.conventions, label=part.label),
            in_file_only=number > 0,
        )


def _quality(store: Store, flow: Flow) -> Iterator[Block]:
    yield Heading("Quality")
    yield Paragraph(
        f"{flow.warned} of {flow.measured} measured readings carry a warning;"
        f" {flow.measured - flow.verified.total()} have not been verified. Readings that were not"
        " measured, flagged readings and warnings are listed in the files of tables."
    )
    if flow.quality:
        noted = [(name.replace("_", " "), str(count)) for name, count in flow.quality.most_common()]
        yield Table("Noted by the readers", ("Image quality", "Readings"), tuple(noted))
    yield from _doubts(store)
    header: tuple[str, ...] = ("Reading", "Status", "Reason")
    if flow.failed:
        yield Listing("Not measured", header, partial(_not_measured, store))
    header = ("Reading", "Compartment", "Extrusion (mm)", "u (mm)", "Within uncertainty",
              "Verified by")  # fmt: skip
    yield Listing("Readings flagged by the threshold rule", header, partial(_flagged, store))
    if flow.warned:
        yield from _warnings(store)


def _doubts(store: Store) -> Iterator[Block]:
    """Show what no other number of the report can make up for."""
    doubts = identity_doubts(store)
    if not doubts:
        return
    said = Counter(one.words() for found in doubts.values() for one in found)
    rows = tuple((words, str(count)) for words, count in said.most_common(MOST_DOUBTS))
    more = len(said) - len(rows)
    notes = (f"{more} more are in the file of this table for single readings.",) if more else ()
    yield Table("Whose images these are is in doubt", ("What was found", "Readings"), rows, notes)

    def one_by_one() -> Iterator[Sequence[object]]:
        for key, found in doubts.items():
            for one in found:
                yield _joined(json.loads(key)), one.words()

    yield Listing("Doubts about identity, reading by reading", ("Reading", "Doubt"), one_by_one)


def _not_measured(store: Store) -> Iterator[Sequence[object]]:
    names = ("subject", "visit", "side", "reader", "status", "reason")
    for *who, status, reason in store.columns(
        *names, where="status NOT IN ('measured', 'excluded')"
    ):
        yield _joined(who), status, reason


def _flagged(store: Store) -> Iterator[Sequence[object]]:
    for compartment in COMPARTMENTS:
        where = compartment.value
        names = ("subject", "visit", "side_measured", "reader", f"{where}_extrusion_mm",
                 f"{where}_u_mm", f"{where}_decision", "verified", "verified_by")  # fmt: skip
        rows = store.columns(*names, where=f"{where}_flag = 1")
        for *who, value, u, decision, verified, by in rows:
            whose = (by or "") if verified else "not verified"
            within = decision.replace("_", " ")
            yield _joined(who), where, f"{value:.2f}", f"{u:.2f}", within, whose


def _warnings(store: Store) -> Iterator[Block]:
    words: dict[bytes, str] = {}
    readings, said = [], Coder()
    for key, found in store.warnings():
        for warning in found:
            if warning not in words:
                words[warning] = Finding.from_json(json.loads(warning)).words()
        said.add(words[warning] for warning in found)
        readings += [key] * len(found)
    sentences, codes = said.values()
    counts = Counter(dict(zip(sentences, np.bincount(codes).tolist(), strict=True)))

    def one_by_one() -> Iterator[Sequence[object]]:
        for key, code in zip(readings, codes, strict=True):
            yield _joined(json.loads(key)), sentences[code]

    yield Listing("Warnings", ("Warning", "Readings"), counts.most_common)
    yield Listing("Warnings, reading by reading", ("Reading", "Warning"), one_by_one)


def _joined(parts: Iterable[object]) -> str:
    return BETWEEN.join(str(part) for part in parts if part)

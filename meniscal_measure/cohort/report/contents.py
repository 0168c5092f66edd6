"""What the report of a cohort says, section by section."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from meniscal_measure.anatomy import Compartment
from meniscal_measure.cohort.agreement.plots import distribution_plot
from meniscal_measure.cohort.columns import COMPARTMENTS
from meniscal_measure.cohort.reader_agreement import detectable_change
from meniscal_measure.cohort.readings import Readings, load_readings, mean_of_readings
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Table,
    listing,
)
from meniscal_measure.cohort.report.flow import Flow, count_flow, flow_plot, verified_words
from meniscal_measure.cohort.report.groups import group_sections, model_sections
from meniscal_measure.cohort.report.readers import reader_sections
from meniscal_measure.cohort.report.reference import Reference, reference_sections
from meniscal_measure.cohort.report.visits import visit_sections
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.visit_change import visits_of
from meniscal_measure.errors import AgreementError
from meniscal_measure.findings import Finding
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.words import AXIS_WORDS, SLICE_WORDS, rule_words, threshold_words

TITLE = "Meniscal extrusion in a cohort"

MOST_LISTED = 500
"""Longest list of single knees; the whole is in the exported table."""


MOST_WARNINGS = 20
"""Longest list of warnings reading by reading; most of them say the same of many."""


@dataclass(frozen=True)
class Part:
    """The readings of one compartment."""

    compartment: Compartment
    readings: Readings

    @property
    def label(self) -> str:
        """What was measured, as the axis of a plot names it."""
        return f"{self.compartment.words.capitalize()} extrusion"


def cohort_report(store: Store, *, reference: Reference | None = None) -> list[Block]:
    """Collect everything a methods and a results section need.

    Parameters
    ----------
    store
        The store of the cohort.
    reference
        A reference finding to compare medial extrusion with.

    Raises
    ------
    AgreementError
        If nothing has been measured yet, or under conventions that do not compare.
    """
    flow = count_flow(store)
    if not flow.measured:
        raise AgreementError(
            "Nothing has been measured in this store yet; measure the cohort first."
        )
    blocks: list[Block] = [Heading(TITLE, 1), Paragraph(NOTICE)]
    blocks += _flow_section(flow)
    blocks += _methods_section(store, flow)
    for part in _parts(store):
        detectable = detectable_change(part.readings)
        blocks += _distribution_section(part)
        blocks += reader_sections(part.label, part.readings, detectable)
        blocks += visit_sections(part.label, part.readings, detectable)
        blocks += model_sections(part.label, part.readings)
        if reference is not None and part.compartment is Compartment.MEDIAL:
            blocks += reference_sections(part.label, part.readings, reference)
    blocks += _flagged_section(store)
    blocks += _quality_section(store, flow)
    return blocks


def _parts(store: Store) -> Iterator[Part]:
    measured = {
        where for row in store.rows() for where in COMPARTMENTS
        if row[f"{where.value}_extrusion_mm"] is not None
    }  # fmt: skip
    for compartment in COMPARTMENTS:
        if compartment in measured:
            yield Part(compartment, load_readings(store, compartment))


def _flow_section(flow: Flow) -> Iterator[Block]:
    yield Heading("Inclusions and exclusions")
    left_out = flow.excluded.total()
    yield Paragraph(
        f"The manifest names {flow.entries} readings of {len(flow.subjects)} subjects. {left_out}"
        f" were excluded, {flow.failed.total()} could not be or have not been measured, and"
        f" {flow.measured} readings of {len(flow.measured_subjects)} subjects were analysed;"
        f" {flow.flagged} of these readings were flagged."
    )
    yield Paragraph(_verification(flow))
    yield Plot("Flow of readings from the manifest to the analysis.", flow_plot(flow))
    if flow.excluded:
        rows = [(reason, str(count)) for reason, count in flow.excluded.most_common()]
        yield listing("Exclusions", ("Reason", "Readings"), rows, most=MOST_LISTED)


def _verification(flow: Flow) -> str:
    """Say who stands behind the readings that were analysed."""
    said = f"Of the analysed readings: {verified_words(flow)}."
    if flow.verified:
        by = ", ".join(f"{name} {count}" for name, count in sorted(flow.verified.items()))
        said += f" Verified by: {by}."
    if flow.signed_at:
        days = sorted(time[:10] for time in flow.signed_at)
        said += f" Signed from {days[0]} to {days[-1]} (UTC)."
    if flow.verified.total() < flow.measured:
        said += " Readings that nobody has verified enter every statistic below."
    return said


def _methods_section(store: Store, flow: Flow) -> Iterator[Block]:
    yield Heading("Software, settings and conventions")
    settings = store.last_settings() or {}
    rows = [("software", f"meniscal_measure {settings.pop('software_version', '')}")]
    rows += [(name, str(value)) for name, value in _flat(settings)]
    yield Table("Settings of the last run", ("Setting", "Value"), tuple(rows))
    yield Table(
        "Conventions of the readings",
        ("Slice", "Axis", "Flagged where", "Readings"),
        tuple(
            (SLICE_WORDS[slice_], AXIS_WORDS[conventions.axis], rule_words(conventions), str(count))
            for (slice_, conventions), count in flow.conventions.most_common()
        ),
    )
    if len(flow.conventions) > 1:
        yield Paragraph(
            "Not all readings were made under the same conventions; numbers compare only within"
            " one."
        )
    yield Paragraph(
        "Extrusion is the signed distance along the named axis from the plateau's rim to the"
        " outer edge of the meniscal body, osteophytes left out. Standard uncertainties follow the"
        " GUM (JCGM 100:2008). A case is one knee at one visit. Statistics marked with a number"
        " name the source of their formula. Intervals hold 95 %."
    )


def _flat(settings: dict[str, object], before: str = "") -> Iterator[tuple[str, object]]:
    for name, value in settings.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", value


def _distribution_section(part: Part) -> Iterator[Block]:
    knees = mean_of_readings(part.readings)
    yield Heading(part.label)
    visits = visits_of(knees)
    for visit in visits:
        label = part.label if len(visits) == 1 else f"{part.label}, visit {visit or 'not named'}"
        seen = knees.where(knees.visit == visit)
        yield Plot(
            f"Distribution of {label.lower()}; each knee by the mean of its readings, flagged where"
            f" that is {threshold_words(knees.conventions)}.",
            distribution_plot(seen.extrusion_mm, knees.conventions, label=part.label),
        )
        yield from group_sections(label, seen)


def _flagged_section(store: Store) -> Iterator[Block]:
    rows = [
        (
            " / ".join(
                str(row[name])
                for name in ("subject", "visit", "side_measured", "reader")
                if row[name]
            ),
            compartment.value,
            f"{row[f'{compartment.value}_extrusion_mm']:.2f}",
            f"{row[f'{compartment.value}_u_mm']:.2f}",
            str(row[f"{compartment.value}_decision"]).replace("_", " "),
            str(row["verified_by"] or "") if row["verified"] else "not verified",
        )
        for row in store.rows()
        for compartment in COMPARTMENTS
        if row[f"{compartment.value}_flag"]
    ]
    yield Heading("Flagged readings")
    header = (
        "Reading", "Compartment", "Extrusion (mm)", "u (mm)", "Within uncertainty", "Verified by",
    )  # fmt: skip
    yield listing("Readings flagged by the threshold rule", header, rows, most=MOST_LISTED)


def _words(warning: Mapping[str, Any] | str) -> str:
    return Finding.from_json(warning).words()


def _quality_section(store: Store, flow: Flow) -> Iterator[Block]:
    yield Heading("Quality")
    yield Paragraph(
        f"{flow.warned} of {flow.measured} measured readings carry a warning;"
        f" {flow.measured - flow.verified.total()} were verified by nobody."
    )
    if flow.quality:
        noted = [(name.replace("_", " "), str(count)) for name, count in flow.quality.most_common()]
        yield listing(
            "Noted by the readers", ("Image quality", "Readings"), noted, most=MOST_LISTED
        )
    if flow.problems:
        header = ("Reading", "Status", "Reason")
        yield listing("Not measured", header, sorted(flow.problems), most=MOST_LISTED)
    warned = [
        (" / ".join(str(part) for part in json.loads(key) if part), _words(warning))
        for key, record in store.records()
        for warning in record["warnings"]
    ]
    if warned:
        counts = Counter(warning for _, warning in warned).most_common()
        rows = [(warning, str(count)) for warning, count in counts]
        yield listing("Warnings", ("Warning", "Readings"), rows, most=MOST_LISTED)
        columns = ("Reading", "Warning")
        yield listing("Warnings, reading by reading", columns, warned, most=MOST_WARNINGS)

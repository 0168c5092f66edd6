"""What the report of a cohort says, section by section."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.cohort.agreement.plots import distribution_plot
from meniscal_measure.cohort.analysis import Readings, load_readings, mean_of_readings
from meniscal_measure.cohort.fields import COMPARTMENTS
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Table,
    listing,
)
from meniscal_measure.cohort.report.flow import Flow, count_flow, flow_plot
from meniscal_measure.cohort.report.groups import group_sections, model_sections
from meniscal_measure.cohort.report.readers import reader_sections
from meniscal_measure.cohort.report.reference import Reference, reference_sections
from meniscal_measure.cohort.report.visits import visit_sections
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import AgreementError
from meniscal_measure.report.notice import NOTICE

TITLE = "Meniscal extrusion in a cohort"

MOST_LISTED = 500
"""Longest list of single knees; the whole is in the exported table."""


@dataclass(frozen=True)
class Part:
    """The readings of one compartment."""

    compartment: Compartment
    readings: Readings
    threshold_mm: float

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
        If nothing has been measured yet.
    """
    flow = count_flow(store)
    if not flow.measured:
        raise AgreementError("Nothing has been measured in this store yet; there is no report.")
    blocks: list[Block] = [Heading(TITLE, 1), Paragraph(NOTICE)]
    blocks += _flow_section(flow)
    blocks += _methods_section(store, flow)
    for part in _parts(store, flow):
        blocks += _distribution_section(part)
        blocks += reader_sections(part.label, part.readings)
        blocks += visit_sections(part.label, part.readings)
        blocks += model_sections(part.label, part.readings)
        if reference is not None and part.compartment is Compartment.MEDIAL:
            blocks += reference_sections(part.label, part.readings, reference)
    blocks += _flagged_section(store)
    blocks += _quality_section(store, flow)
    return blocks


def _parts(store: Store, flow: Flow) -> Iterator[Part]:
    threshold_mm = next(iter(flow.conventions))[3]
    for compartment in COMPARTMENTS:
        try:
            readings = load_readings(store, compartment)
        except AgreementError:  # never measured in this cohort
            continue
        yield Part(compartment, readings, threshold_mm)


def _flow_section(flow: Flow) -> Iterator[Block]:
    yield Heading("Inclusions and exclusions")
    left_out = flow.excluded.total()
    yield Paragraph(
        f"The manifest names {flow.entries} readings of {len(flow.subjects)} subjects. {left_out}"
        f" were excluded beforehand, {flow.failed.total()} could not be or have not been measured,"
        f" and {flow.measured} readings of {len(flow.measured_subjects)} subjects were analysed;"
        f" {flow.flagged} of these readings were flagged."
    )
    yield Plot("Flow of readings from the manifest to the analysis.", flow_plot(flow))
    if flow.excluded:
        rows = [(reason, str(count)) for reason, count in flow.excluded.most_common()]
        yield listing("Exclusions", ("Reason", "Readings"), rows, most=MOST_LISTED)


def _methods_section(store: Store, flow: Flow) -> Iterator[Block]:
    yield Heading("Software, settings and conventions")
    settings = store.last_settings() or {}
    rows = [("software", f"meniscal_measure {settings.pop('software_version', '')}")]
    rows += [(name, str(value)) for name, value in _flat(settings)]
    yield Table("Settings of the last run", ("Setting", "Value"), tuple(rows))
    yield Table(
        "Conventions of the readings",
        ("Slice", "Axis", "Threshold rule", "Threshold (mm)", "Readings"),
        tuple(
            (slice_, axis, rule, f"{threshold:g}", str(count))
            for (slice_, axis, rule, threshold), count in flow.conventions.most_common()
        ),
    )
    yield Paragraph(
        "Extrusion is the signed distance along the named axis from the plateau's rim to the"
        " outer edge of the meniscal body, osteophytes left out. Standard uncertainties follow the"
        " GUM (JCGM 100:2008). Statistics marked with a number name the source of their formula."
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
    yield Plot(
        f"Distribution of {part.label.lower()}; each knee at each visit by the mean of its"
        " readings.",
        distribution_plot(knees.extrusion_mm, threshold_mm=part.threshold_mm, label=part.label),
    )
    yield from group_sections(part.label, knees)


def _flagged_section(store: Store) -> Iterator[Block]:
    rows = [
        (
            " / ".join(str(row[name]) for name in ("subject", "visit", "side_measured", "reader")),
            compartment.value,
            f"{row[f'{compartment.value}_extrusion_mm']:.2f}",
            f"{row[f'{compartment.value}_u_mm']:.2f}",
            str(row[f"{compartment.value}_decision"]),
        )
        for row in store.rows()
        for compartment in COMPARTMENTS
        if row[f"{compartment.value}_flag"]
    ]
    yield Heading("Flagged readings")
    header = ("Reading", "Compartment", "Extrusion (mm)", "u (mm)", "Within uncertainty")
    yield listing("Readings above the threshold", header, rows, most=MOST_LISTED)


def _quality_section(store: Store, flow: Flow) -> Iterator[Block]:
    yield Heading("Quality")
    yield Paragraph(
        f"{flow.warned} of {flow.measured} measured readings carry a warning;"
        f" {flow.measured - flow.verified} of them have landmarks that no person has confirmed."
    )
    if flow.problems:
        header = ("Reading", "Status", "Reason")
        yield listing("Not measured", header, sorted(flow.problems), most=MOST_LISTED)
    warned = [
        (" / ".join(str(part) for part in json.loads(key) if part), warning)
        for key, record in store.records()
        for warning in record["warnings"]
    ]
    if warned:
        yield listing("Warnings", ("Reading", "Warning"), warned, most=MOST_LISTED)

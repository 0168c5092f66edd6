"""The report for the case file: A4 pages of vector graphics and searchable text."""

from __future__ import annotations

from reportlab.lib.colors import black
from reportlab.platypus import Flowable, PageBreak, Table

from meniscal_measure.caliper.grades import GRADE_RULE
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Stamp, blank, pdf_bytes
from meniscal_measure.report.figure import BORDER_IN
from meniscal_measure.report.fonts import CODE_POINT_NOTE, drawable
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.lettering import style
from meniscal_measure.report.page_frame import WIDTH_PT, framed_pdf
from meniscal_measure.report.profile import draw_profile
from meniscal_measure.report.strip import draw_strip, strip_height_in
from meniscal_measure.report.table import value_rows
from meniscal_measure.report.typeset import Plate, heading, paragraph, table

PROFILE_HEIGHT_IN, ABOVE_STRIP_IN = 2.2, 0.03

TEXT, FINE = style(7.5), style(6.5)

U95 = "U95 is half the 95 % coverage interval; values are shown rounded and judged un-rounded."


def report_pdf(reading: Reading, images: SeriesImages, figure: bytes, stamp: Stamp) -> bytes:
    """Set the report of a reading around its slice figure, which is a PDF.

    The patient's name and ID appear in the page heading if the reading holds them; leave them out
    beforehand with `meniscal_measure.records.identifiers.without_identifiers`.
    """
    blocks = [
        *_first_page(reading, figure),
        PageBreak(),
        *_along_slices(reading, images, stamp),
        heading("Uncertainty budget of the extrusion, mm", 3),
        table(_budget_table(reading), WIDTH_PT, widths_pt=(245, 137, 137), size_pt=7.5),
    ]
    rules = [words.convention_words(reading), f"Slice: {reading.slice_reason}", GRADE_RULE, U95]
    for title, lines in (
        ("Conventions", rules),
        ("Provenance", _provenance_lines(reading)),
        ("Warnings", [found.words(slice_name=reading.slice_number) for found in reading.warnings]),
    ):
        blocks += [heading(title, 3), *(paragraph(line, TEXT) for line in lines or ["none"])]
    foot = f"{NOTICE} {words.status_words(reading)}."
    return framed_pdf(blocks, stamp, head=_patient_words(reading), foot=foot, foot_style=FINE)


def _patient_words(reading: Reading) -> str:
    source = reading.source
    parts = (
        ("Patient", source.patient_name.replace("^", " ").strip()),
        ("ID", source.patient_id),
        ("Study date", source.study_date),
    )
    known = [f"{label}: {value}" for label, value in parts if value]
    return "     ".join(known) or "Patient identifiers not given or left out"


def _first_page(reading: Reading, figure: bytes) -> list[Flowable]:
    width = words.length_words(reading.measured.plateau_width_mm)
    rows = [
        ("", *(name.words for name in reading.named_compartments)),
        *value_rows(reading),
        ("plateau width", width, ""),
    ]
    return [
        Plate(figure, trim_pt=72 * BORDER_IN),
        heading("Values on the measured slice", 3),
        table(rows, WIDTH_PT, widths_pt=(123, 200, 200), size_pt=7.5),
        _signature_lines(reading.verified_by or ""),
    ]


def _signature_lines(name: str) -> Flowable:
    labels = ("verified by (reader's name)", "", "signature", "", "date")
    lines = Table(
        [[paragraph(name), *[""] * 4], [paragraph(label, FINE) for label in labels]],
        colWidths=[WIDTH_PT * share for share in (0.43, 0.04, 0.32, 0.04, 0.17)],
    )
    lines.setStyle([("LINEABOVE", (n, 1), (n, 1), 0.6, black) for n in (0, 2, 4)])
    lines.setStyle(
        [
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("NOSPLIT", (0, 0), (-1, -1)),
        ]
    )
    return lines


def _along_slices(reading: Reading, images: SeriesImages, stamp: Stamp) -> list[Flowable]:
    width_in = WIDTH_PT / 72
    height_in = strip_height_in(width_in)
    strip = blank(width_in, height_in + ABOVE_STRIP_IN)
    draw_strip(strip.part(0, ABOVE_STRIP_IN, width_in, height_in), reading, images)
    profile = blank(width_in, PROFILE_HEIGHT_IN)
    draw_profile(profile, reading, images.grids[reading.measured.slice_index])
    drawn = pdf_bytes([strip.figure, profile.figure], stamp)
    return [
        heading("Neighbouring slices", 3),
        Plate(drawn, page=0),
        heading("Extrusion along the slices", 3),
        Plate(drawn, page=1),
    ]


def _budget_table(reading: Reading) -> list[tuple[str, ...]]:
    shown = reading.named_compartments
    budgets = [
        {}
        if (found := reading.measured.compartments.get(name)) is None
        else {part.source: part.u_mm for part in found.extrusion.budget}
        | {
            "combined standard uncertainty u": found.extrusion.u_mm,
            "expanded uncertainty U95": words.expanded_mm(found.extrusion),
        }
        for name in shown
    ]
    sources = dict.fromkeys(source for budget in budgets for source in budget)
    rows: list[tuple[str, ...]] = [("source", *(name.words for name in shown))]
    rows += [
        (source, *(f"{budget[source]:.3f}" if source in budget else "-" for budget in budgets))
        for source in sources
    ]
    return rows


def _provenance_lines(reading: Reading) -> list[str]:
    source = reading.source
    names = (source.patient_name, source.patient_id, source.series_description,
             reading.verified_by or "")  # fmt: skip
    series = f" ({source.series_description})" if source.series_description else ""
    uids = (
        ("Study", source.study_instance_uid),
        ("Series", source.series_instance_uid),
        ("SOP", source.sop_instance_uid),
    )
    return [
        f"{reading.software} {reading.software_version}, measured at {reading.measured_at} (UTC)",
        f"Series{series}: {source.series_reason}",
        *(f"{name} Instance UID {uid}" for name, uid in uids if uid),
        f"Side: {words.side_words(reading)}",
        *([CODE_POINT_NOTE] if any("[U+" in drawable(name) for name in names) else []),
    ]

"""The report for the case file: two A4 pages of vector graphics and searchable text."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from meniscal_measure.caliper.grades import GRADE_RULE
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report import words
from meniscal_measure.report.canvas import TEXT_PT, Region, blank, line_height_in
from meniscal_measure.report.figure import draw_slice_figure
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.profile import draw_profile
from meniscal_measure.report.strip import draw_strip, strip_height_in
from meniscal_measure.report.table import value_rows

PAGE_IN = (8.27, 11.69)
"""A4."""

MARGIN_IN = 0.5
FIGURE_TOP_IN, FIGURE_HEIGHT_IN = 0.42, 6.7
FOOT_IN = 0.42
HEADING_PT = 9.5

Table = list[tuple[str, ...]]


def report_pages(reading: Reading, images: SeriesImages) -> list[Figure]:
    """Draw the pages.

    The patient's name and ID stand in the page heading when the reading holds them; leave them out
    beforehand with `meniscal_measure.records.identifiers.without_identifiers`.
    """
    return [_first_page(reading, images), _second_page(reading, images)]


def _page(reading: Reading, number: int) -> Region:
    page = blank(*PAGE_IN)
    inner = page.part(MARGIN_IN, MARGIN_IN, PAGE_IN[0] - 2 * MARGIN_IN, PAGE_IN[1] - 2 * MARGIN_IN)
    inner.text(0, 0, _patient_words(reading), size=8, weight="bold")
    inner.text(inner.width_in, 0, f"page {number} of 2", size=7.5, ha="right")
    _rule(inner, 0.22)
    foot_in = inner.height_in - FOOT_IN
    _rule(inner, foot_in)
    inner.wrapped(0, foot_in + 0.05, f"{NOTICE} {words.status_words(reading)}.", size=6.5)
    return inner


def _patient_words(reading: Reading) -> str:
    source = reading.source
    parts = (
        ("Patient", source.patient_name.replace("^", " ").strip()),
        ("ID", source.patient_id),
        ("Study date", source.study_date),
    )
    known = [f"{label}: {value}" for label, value in parts if value]
    return "     ".join(known) or "Patient identifiers not given or left out"


def _rule(region: Region, y_in: float) -> None:
    ends = (region.at(0, y_in), region.at(region.width_in, y_in))
    line = Line2D(
        *zip(*ends, strict=True), transform=region.figure.transFigure, color="black", lw=0.6
    )
    region.figure.add_artist(line)


def _first_page(reading: Reading, images: SeriesImages) -> Figure:
    page = _page(reading, 1)
    figure = page.part(0, FIGURE_TOP_IN - 0.1, page.width_in, FIGURE_HEIGHT_IN)
    draw_slice_figure(figure, reading, images)
    top_in = FIGURE_TOP_IN + FIGURE_HEIGHT_IN
    below = page.part(0, top_in, page.width_in, page.height_in - top_in)
    y_in = _heading(below, 0, "Values on the measured slice")
    _draw_table(below, y_in, _value_table(reading), (1.71, 2.78, 2.78))
    _draw_signature(page.part(0, page.height_in - 0.95, page.width_in, 0.5), reading)
    return page.figure


def _value_table(reading: Reading) -> Table:
    shown = reading.named_compartments
    width = words.length_words(reading.measured.plateau_width_mm)
    return [
        ("", *(name.words for name in shown)),
        *value_rows(reading),
        ("plateau width", width, ""),
    ]


def _draw_signature(place: Region, reading: Reading) -> None:
    name = reading.verified_by or ""
    for x_in, width_in, label, value in (
        (0.0, 3.1, "verified by (reader's name)", name),
        (3.4, 2.3, "signature", ""),
        (6.0, 1.27, "date", ""),
    ):
        box = place.part(x_in, 0, width_in, place.height_in)
        _rule(box, 0.3)
        box.text(0, 0.33, label, size=6.5)
        box.text(0.02, 0.12, value, size=8.5)


def _second_page(reading: Reading, images: SeriesImages) -> Figure:
    page = _page(reading, 2)
    y_in = _heading(page, 0.36, "Neighbouring slices")
    draw_strip(page.part(0, y_in, page.width_in, 0), reading, images)
    y_in = _heading(
        page, y_in + strip_height_in(page.width_in) + 0.02, "Extrusion along the slices"
    )
    grid = images.grids[reading.measured.slice_index]
    draw_profile(page.part(0, y_in, page.width_in, 2.2), reading, grid)
    y_in = _heading(page, y_in + 2.3, "Uncertainty budget of the extrusion, mm")
    y_in = _draw_table(page, y_in, _budget_table(reading), (3.4, 1.9, 1.9))
    for heading, lines in (
        ("Conventions", _convention_lines(reading)),
        ("Provenance", _provenance_lines(reading)),
        ("Warnings", [found.words() for found in reading.warnings] or ["none"]),
    ):
        y_in = _paragraphs(page, y_in + 0.08, heading, lines)
    return page.figure


def _paragraphs(page: Region, y_in: float, heading: str, lines: list[str]) -> float:
    """Write paragraphs, and say so when the page is full."""
    y_in = _heading(page, y_in, heading)
    for number, line in enumerate(lines):
        if y_in > page.height_in - FOOT_IN - 0.45:
            rest = f"{len(lines) - number} more under {heading.lower()}: see reading.json"
            return page.wrapped(0, y_in, rest, size=TEXT_PT, weight="bold")
        y_in = page.wrapped(0, y_in, line, size=TEXT_PT)
    return y_in


def _budget_table(reading: Reading) -> Table:
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
    rows: Table = [("source", *(name.words for name in shown))]
    rows += [
        (source, *(f"{budget[source]:.3f}" if source in budget else "-" for budget in budgets))
        for source in sources
    ]
    return rows


def _convention_lines(reading: Reading) -> list[str]:
    return [
        words.convention_words(reading),
        f"Slice: {reading.slice_reason}",
        GRADE_RULE,
        "U95 is half the 95 % coverage interval; values are shown rounded and judged un-rounded.",
    ]


def _provenance_lines(reading: Reading) -> list[str]:
    source = reading.source
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
    ]


def _heading(region: Region, y_in: float, title: str) -> float:
    region.text(0, y_in, title, size=HEADING_PT, weight="bold")
    return y_in + line_height_in(HEADING_PT) + 0.03


def _draw_table(region: Region, y_in: float, rows: Table, widths_in: tuple[float, ...]) -> float:
    """Draw rows of words, the first as the heading; returns the y below, inches."""
    row_in = line_height_in(TEXT_PT) + 0.012
    for number, row in enumerate(rows):
        x_in = 0.0
        for cell, width_in in zip(row, widths_in, strict=True):
            region.text(x_in, y_in, cell, size=TEXT_PT, weight="bold" if number == 0 else "normal")
            x_in += width_in
        y_in += row_in
        if number == 0:
            _rule(region, y_in)
            y_in += 0.05
    return y_in

"""The case sheet as PDF: two pages that a surgeon attaches to the case, and later figures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, PageBreak, Spacer

from meniscal_measure.knee.case_record import KneeCase
from meniscal_measure.knee.quantity import CasePart
from meniscal_measure.report.canvas import Stamp
from meniscal_measure.report.lettering import style, write_line
from meniscal_measure.report.typeset import (
    BOLD,
    GAP_PT,
    PAGE_PT,
    Layout,
    Plate,
    heading,
    paragraph,
    set_pdf,
    table,
    write_page_number,
)

MARGIN_PT, HEAD_PT, FOOT_PT = 34.0, 16.0, 24.0
WIDTH_PT = PAGE_PT[0] - 2 * MARGIN_PT

SIGNS = "Root signs: what the reader says, and published figures of medial posterior roots"

CITATIONS = (
    "Sources are named in short; those not read in the source itself are marked. Full citations,"
    " and the evidence behind each, stand in case-sheet.html and case.json."
)

FINE, SIZE_PT = style(6.0), 6.3


def case_sheet(
    case: KneeCase, figure: bytes | None, stamp: Stamp, *, plates: Sequence[bytes] = ()
) -> bytes:
    """Set the sheet; what does not fit on two pages stands in the HTML file and the record.

    Parameters
    ----------
    case
        The record.
    figure
        The slices of the case as PDF; None where there are none to show.
    stamp
        What the file says of itself.
    plates
        Figures as PDF that follow it, each on a page of its own if need be: both examinations, a
        radiograph.
    """
    first, others, followed = _parted(case)
    blocks: list[Flowable] = [
        heading(f"Knee case sheet: {case.side} knee, {case.root}", 1),
        paragraph(_studies(case), FINE),
    ]
    if figure is not None:
        blocks += [Plate(figure), Spacer(0, GAP_PT / 2)]
    blocks += _parts(first)
    blocks += [heading(SIGNS, 3), _sign_table(case)]
    blocks += _parts(others)
    blocks += [
        heading("Facts for a discussion, and what published series found", 3),
        _candidate_table(case),
    ]
    blocks += _lists(case)
    if plates:
        blocks.append(PageBreak())
    blocks += _parts(followed)
    blocks += map(Plate, plates)
    layout = Layout(
        MARGIN_PT, MARGIN_PT + FOOT_PT, WIDTH_PT, PAGE_PT[1] - 2 * MARGIN_PT - HEAD_PT - FOOT_PT,
        lambda canvas, number: _draw_around(canvas, number, case),
    )  # fmt: skip
    return set_pdf(blocks, stamp, layout)


def _parted(case: KneeCase) -> tuple[list[CasePart], list[CasePart], list[CasePart]]:
    """Part the sections: those of the first page, the others, and those beside later figures."""
    first = [part for part in case.parts if part.title.startswith(("Extrusion", "Root signs"))]
    last = [part for part in case.parts if part.title.startswith(("Follow-up", "Alignment"))]
    return first, [part for part in case.parts if part not in first + last], last


def _studies(case: KneeCase) -> str:
    visits = "  ".join(
        f"{study.visit.words}{f' {study.study_date}' if study.study_date else ''}:"
        f" {len(study.series)} series."
        for study in case.studies
    )
    return f"{visits}  Side: {case.side_source}.  {case.software}, {case.made_at} (UTC)."


def _parts(parts: Sequence[CasePart]) -> Iterator[Flowable]:
    """Set the numbers of several sections in one table, what is said of them below it."""
    rows = [("what", "value, 95 %", "rests on", "image (Instance Number)")]
    for part in parts:
        if part.quantities:
            rows.append((part.title.upper(), "", "", ""))
            rows += [(q.name, q.words, q.basis.words, q.places) for q in part.quantities]
    if len(rows) > 1:
        yield table(rows, WIDTH_PT, widths_pt=(225, 98, 95, 109), size_pt=SIZE_PT)
    for part in parts:
        said = [*part.remarks, *(f"Not done: {gap}" for gap in part.gaps)]
        if said:
            joined = " ".join(words if words.endswith(".") else f"{words};" for words in said)
            yield paragraph(f"{part.title}: {joined}", FINE)


def _sign_table(case: KneeCase) -> Flowable:
    rows = [("sign", "reader", "published performance")]
    rows += [
        (line.description, line.seen, "; ".join(line.performance) or "none in the list")
        for line in case.signs
    ]
    return table(rows, WIDTH_PT, widths_pt=(150, 47, 330), size_pt=SIZE_PT)


def _candidate_table(case: KneeCase) -> Flowable:
    known = [line for line in case.candidate if line.findings or line.origin]
    rows = [("fact", "this knee", "series", "findings")]
    rows += [
        (line.description, line.value, line.summary, "; ".join(line.findings) or "-")
        for line in known
    ]
    unknown = [line.description for line in case.candidate if line not in known]
    if unknown:
        rows.append(("not known", "-", "-", "; ".join(unknown)))
    return table(rows, WIDTH_PT, widths_pt=(92, 34, 80, 321), size_pt=SIZE_PT)


def _lists(case: KneeCase) -> Iterator[Flowable]:
    if case.gaps:
        yield heading("Gaps", 3)
        yield from (paragraph(f"- {gap}", FINE) for gap in case.gaps)
    if case.questions:
        yield heading(f"Open questions: {len(case.questions)}", 3)
        names = (question.key.partition(".")[2].replace("_", " ") for question in case.questions)
        how = "Answer them slice by slice with case --ask, or in answers.toml"
        yield paragraph(f"{how}: {', '.join(names)}.", FINE)
    yield heading("Cautions", 3)
    yield from (paragraph(f"- {caution}", FINE) for caution in case.cautions)
    yield paragraph(f"- {CITATIONS}", FINE)


def _draw_around(canvas: Canvas, number: int, case: KneeCase) -> None:
    right_pt, top_pt = MARGIN_PT + WIDTH_PT, PAGE_PT[1] - MARGIN_PT
    write_line(canvas, MARGIN_PT, top_pt - 8, "A measurement aid, not a diagnosis", BOLD)
    write_page_number(canvas, right_pt, top_pt - 8, number)
    canvas.setLineWidth(0.6)
    for y_pt in (top_pt - HEAD_PT + 5, MARGIN_PT + FOOT_PT - 4):
        canvas.line(MARGIN_PT, y_pt, right_pt, y_pt)
    foot = paragraph(case.notice, FINE)
    _, height_pt = foot.wrapOn(canvas, WIDTH_PT, FOOT_PT)
    foot.drawOn(canvas, MARGIN_PT, MARGIN_PT + FOOT_PT - 6 - height_pt)

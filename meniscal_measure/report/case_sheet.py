"""The case sheet as PDF: two pages that a surgeon attaches to the case, and later figures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reportlab.platypus import Flowable, PageBreak, Spacer

from meniscal_measure.knee.candidate import FACT_WORDS
from meniscal_measure.knee.case_record import KneeCase
from meniscal_measure.knee.quantity import CasePart
from meniscal_measure.knee.topics import LANDMARK_WORDS
from meniscal_measure.report.canvas import Stamp
from meniscal_measure.report.lettering import style
from meniscal_measure.report.page_frame import WIDTH_PT, framed_pdf
from meniscal_measure.report.typeset import GAP_PT, Plate, heading, paragraph, table

HEAD = "A measurement aid, not a diagnosis"

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

    `figure` shows the slices of the case, `plates` follow the sheet, each on a page of its own if
    need be: both examinations, a radiograph. All are PDF.
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
        heading("Facts for discussion, and what published series found", 3),
        _candidate_table(case),
    ]
    blocks += _lists(case)
    if plates:
        blocks.append(PageBreak())
    blocks += _parts(followed)
    blocks += map(Plate, plates)
    return framed_pdf(blocks, stamp, head=HEAD, foot=case.notice, foot_style=FINE)


def _parted(case: KneeCase) -> tuple[list[CasePart], list[CasePart], list[CasePart]]:
    """Part the sections: those of the first page, the others, and those beside later figures."""
    first = [part for part in case.parts if part.title.startswith(("Extrusion", "Root signs"))]
    last = [part for part in case.parts if part.title.startswith(("Follow-up", "Alignment"))]
    return first, [part for part in case.parts if part not in first + last], last


def _studies(case: KneeCase) -> str:
    visits = "  ".join(
        f"{study.visit.words}{f' {study.day}' if study.day else ''}: {len(study.series)} series."
        for study in case.studies
    )
    return f"{visits}  Side: {case.side_source}.  {case.software}, {case.made_at} (UTC)."


def _parts(parts: Sequence[CasePart]) -> Iterator[Flowable]:
    """Set the numbers of several sections in one table, what is said of them below it."""
    rows = [("quantity", "value ± 95 %", "basis", "slice (Instance Number)")]
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
    if case.questions or case.offered:
        yield heading(f"Not answered: {len(case.questions)}", 3)
        yield from (paragraph(line, FINE) for line in _not_answered(case))
    yield heading("Cautions", 3)
    yield from (paragraph(f"- {caution}", FINE) for caution in case.cautions)
    yield paragraph(f"- {CITATIONS}", FINE)


def _not_answered(case: KneeCase) -> Iterator[str]:
    """List in a paragraph each what is open, and what is not asked unless requested."""
    how = "Answer them slice by slice with case --ask, or in answers.toml"
    if case.questions:
        names = (question.key.partition(".")[2] for question in case.questions)
        known = {**FACT_WORDS, **LANDMARK_WORDS}
        words = (known.get(name, name.replace("_", " ")) for name in names)
        yield f"{how}: {'; '.join(words)}."
    if case.offered:
        yield f"Asked only on request: {'; '.join(each.words for each in case.offered)}."

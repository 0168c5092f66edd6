from __future__ import annotations

import io
import re

import pytest
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from meniscal_measure.report.canvas import Stamp, blank, pdf_bytes
from meniscal_measure.report.fonts import drawable
from meniscal_measure.report.lettering import style, text_width_pt, write_line
from meniscal_measure.report.typeset import (
    BODY,
    BOLD,
    Layout,
    Plate,
    column_widths,
    heading,
    paragraph,
    set_pdf,
    table,
    write_page_number,
)

ROOM_PT = 400.0
STAMP = Stamp("A title", "meniscal_measure 1", "2026-02-03T05:05:06+01:00")
ACTUAL_TEXT = re.compile(rb"/ActualText <FEFF([0-9a-f]+)>")


def pdf_of(*blocks: Flowable, around: str = "") -> PdfReader:
    return PdfReader(io.BytesIO(pdf_bytes_of(*blocks, around=around)))


def pdf_bytes_of(*blocks: Flowable, around: str = "") -> bytes:
    def draw_around(canvas: Canvas, number: int) -> None:
        write_line(canvas, 50, 820, around, BOLD)
        write_page_number(canvas, 500, 820, number)

    return set_pdf(blocks, STAMP, Layout(50, 50, ROOM_PT, 740, draw_around))


def words_of(pdf: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).split())


def outlined_words(pdf: PdfReader) -> list[str]:
    return [
        bytes.fromhex(found.decode()).decode("utf-16-be")
        for page in pdf.pages
        if (contents := page.get_contents()) is not None
        for found in ACTUAL_TEXT.findall(contents.get_data())
    ]


def a_figure(words: str = "±3 mm", width_in: float = 2.0) -> bytes:
    region = blank(width_in, 1.0)
    region.text(0.1, 0.1, words)
    region.box(fill=False)
    return pdf_bytes([region.figure], STAMP)


def test_the_same_blocks_give_the_same_bytes() -> None:
    blocks = [heading("A heading"), paragraph("Some words."), Plate(a_figure())]
    again = [heading("A heading"), paragraph("Some words."), Plate(a_figure())]
    assert pdf_bytes_of(*blocks) == pdf_bytes_of(*again)


def test_the_file_says_what_it_is_and_when_it_was_made() -> None:
    metadata = pdf_of(paragraph("x")).metadata
    assert metadata is not None
    assert metadata.title == "A title"
    assert metadata.creator == "meniscal_measure 1"
    assert metadata.creation_date_raw == "D:20260203040506+00'00'"


def test_each_page_says_its_number_and_how_many_there_are() -> None:
    pdf = pdf_of(*(paragraph(f"Line {number}.") for number in range(150)))
    said = words_of(pdf)
    assert len(pdf.pages) > 1
    assert [f"page {n + 1} of {len(pdf.pages)}" in said for n in range(len(pdf.pages))]
    assert all(f"Line {number}." in said for number in range(150))


def test_text_is_text_and_no_markup() -> None:
    assert "a <b>&amp; < 3 mm" in words_of(pdf_of(paragraph("a <b>&amp; < 3 mm")))


def test_a_value_keeps_its_unit_on_the_same_line() -> None:
    """A no-break space stands between them (ISO 80000-1, 7.1.4: a space, and never a line end)."""
    narrow = style(8.0)
    text = "extrusion of 5.20 mm"
    broken = paragraph(text, narrow)
    broken.wrap(text_width_pt("extrusion of 5.20 ", narrow), 100)
    lines = [" ".join(words) for _, words in broken.blPara.lines]  # type: ignore[attr-defined]
    assert lines == ["extrusion of", "5.20\N{NO-BREAK SPACE}mm"]


@pytest.mark.parametrize("name", ["山田 花子", "سارة محمد", "שרה לוי", "राम कुमार"])
def test_a_name_in_any_script_is_drawn_in_text_tables_and_page_heads(name: str) -> None:
    if drawable(name) != name:
        pytest.skip(f"no font of this machine draws {name!r}")
    rows = [("reader", "extrusion"), (name, "3.1 mm")]
    pdf = pdf_of(paragraph(f"Verified by {name}."), table(rows, ROOM_PT), around=f"Patient: {name}")
    assert sorted(outlined_words(pdf)) == sorted([f"Patient: {name}", name, f"{name}."])


def test_figures_stay_vectors_and_share_their_letters_with_the_search() -> None:
    pdf = pdf_of(Plate(a_figure("extrusion ±3 mm")))
    assert "extrusion ±3 mm" in words_of(pdf)
    assert list(pdf.pages[0].images) == []


def test_a_figure_wider_than_the_text_is_centred_on_it() -> None:
    plate = Plate(a_figure(width_in=6.0))
    assert plate.wrap(ROOM_PT, 700) == (ROOM_PT, 72)
    assert plate.shift_pt == pytest.approx((ROOM_PT - 6 * 72) / 2)


def test_a_long_table_repeats_its_head_on_each_page() -> None:
    rows = [("Reader", "Value"), *(("A", str(number)) for number in range(120))]
    pdf = pdf_of(table(rows, ROOM_PT))
    assert len(pdf.pages) > 1
    assert all("Reader" in page.extract_text() for page in pdf.pages)


def test_a_short_table_is_not_parted() -> None:
    rows = [("Reader", "Value"), *(("A", f"row {number}") for number in range(12))]
    pdf = pdf_of(*(paragraph("x") for _ in range(60)), table(rows, ROOM_PT))
    (page,) = [page for page in pdf.pages if "row 1" in page.extract_text()]
    assert "row 11" in page.extract_text()


def test_columns_that_need_more_than_the_room_are_narrowed_from_the_widest() -> None:
    rows = [("a", "b"), ("short", "a rather long text that needs more than the room " * 3)]
    narrow, wide = column_widths(rows, ROOM_PT, BODY)
    assert narrow == pytest.approx(text_width_pt("short", BODY) + 10)
    assert narrow + wide <= ROOM_PT


@pytest.mark.parametrize("before", [0, 1])
def test_a_title_within_a_table_is_not_left_alone_at_the_foot_of_a_page(before: int) -> None:
    """Every other row is a title: without care one of the two tables would break after one."""
    rows = [("quantity", "mm"), *[("gap", "3.0")] * before, *[("TITLE", ""), ("gap", "3.0")] * 120]
    pages = [page.extract_text().split() for page in pdf_of(table(rows, ROOM_PT)).pages]
    assert len(pages) > 3
    assert [page for page in pages if page[-1] == "TITLE"] == []

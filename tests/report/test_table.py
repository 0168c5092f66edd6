from __future__ import annotations

import io

from rich.console import Console

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.findings import Code, Finding
from meniscal_measure.report.table import reading_table
from tests.handmade_readings import Case, MakeCase


def printed(reading: Reading, *, width: int = 100) -> str:
    stream = io.StringIO()
    Console(file=stream, width=width, no_color=True).print(reading_table(reading))
    return stream.getvalue()


def line(text: str, start: str) -> str:
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def test_values_flags_and_decisions_stand_in_words(case: Case) -> None:
    text = printed(case[0])
    assert "4.50 ± 0.59 mm" in line(text, "extrusion ± U95")
    assert "3.91 to 5.09 mm" in line(text, "95 % interval")
    assert "FLAGGED > 3 mm" in line(text, "flag")
    assert "not flagged" in line(text, "flag")
    assert "not above 3 mm" in line(text, "decision")
    assert "45.0 % (u 3.0)" in line(text, "relative extrusion")
    assert "half plateau" in line(text, "coverage over")
    assert "A measurement aid, not a diagnosis." in text
    assert "PROPOSED, NOT VERIFIED" in text
    assert "Conventions: axis rim_to_rim (line through both plateau rims); slice" in text
    assert "Warning: No neighbouring slice was measured" in text


def test_neighbours_are_listed_in_geometric_order_with_the_measured_one_named(case: Case) -> None:
    rows = [row for row in printed(case[0]).splitlines() if "FLAGGED" in row and "±" in row]
    assert [row.split("│")[0].strip() for row in rows] == [
        "slice 3, image 42",
        "measured slice 4, image 43",
        "slice 5, image 44",
    ]
    assert [row.split("│")[1].strip() for row in rows] == ["-3.0", "+0.0", "+3.0"]


def test_what_was_not_measured_is_said(make_case: MakeCase) -> None:
    assert "not measured" in line(printed(make_case(left_mm=None)[0]), "extrusion ± U95")


def test_exactly_three_is_said_beside_the_value(make_case: MakeCase) -> None:
    text = printed(make_case(right_mm=3.0)[0], width=140)
    assert "exactly 3.0 mm: not flagged by the rule > 3 mm" in text


def test_the_table_fits_a_terminal_of_80_columns_without_breaking_values(case: Case) -> None:
    text = printed(case[0], width=80)
    assert max(map(len, text.splitlines())) <= 80
    assert "4.50 ± 0.59 FLAGGED" in text


def test_slices_in_a_warning_are_counted_as_the_reader_counts(make_case: MakeCase) -> None:
    values = {"gap_mm": 6.0, "before": 2, "after": 3, "usual_mm": 3.0}
    text = printed(make_case(warnings=(Finding(Code.MISSING_SLICES, values),))[0], width=200)
    assert "Warning: Missing slices: 6.00 mm between slices 3 and 4" in text


def test_it_prints_plain_text_where_there_is_no_colour(case: Case) -> None:
    assert "\x1b" not in printed(case[0])

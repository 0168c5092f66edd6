"""Tables as CSV and as text."""

from __future__ import annotations

import csv
import io
import math
import re

from meniscal_measure.cohort.agreement.estimates import Estimate
from meniscal_measure.cohort.agreement.tables import as_csv, as_text

LINES = (
    Estimate("SEM, agreement", 0.251234567, 0.2, 0.3, "mm", "Weir 2005"),
    Estimate("Kappa, linear", 0.8, 0.7, 0.9, source="Cohen 1968"),
    Estimate("SD", 1.0, unit="mm", source="Weir 2005"),
    Estimate("Sensitivity", math.nan, 0.0, 1.0),
)


def test_csv_keeps_every_digit_and_leaves_unknowns_empty() -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(LINES))))
    assert rows[0]["value"] == "0.251234567"
    assert rows[0]["source"] == "Weir 2005"
    assert (rows[2]["low"], rows[2]["high"]) == ("", "")
    assert rows[3]["value"] == ""


def test_text_names_each_source_once_and_marks_the_lines_with_it() -> None:
    text = as_text(LINES)
    assert text.count("Weir 2005") == 1
    assert text.splitlines()[-2:] == ["[1] Weir 2005", "[2] Cohen 1968"]
    assert text.splitlines()[3].endswith("mm [1]")


def test_columns_of_the_text_line_up() -> None:
    lines = as_text(LINES).splitlines()[1:4]
    found = [re.search(r"\d to [\d.]+", line) for line in lines[:2]]
    assert len({interval.end() for interval in found if interval}) == 1
    assert all(found)


def test_the_level_is_named_in_the_heading() -> None:
    assert "95 % interval" in as_text(LINES)


def test_no_lines_give_only_the_heading() -> None:
    assert as_csv([]) == "name,value,low,high,unit,source\n"
    assert len(as_text([]).splitlines()) == 1

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import datetime

import pytest

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.findings import Code, Finding
from meniscal_measure.report.rows import COLUMNS, readings_csv
from tests.handmade_readings import Case, MakeCase


def rows(*readings: Reading) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(readings_csv(list(readings)))))


def test_the_first_line_names_the_columns_in_their_published_order(case: Case) -> None:
    first = readings_csv([case[0]]).splitlines()[0]
    assert first.split(",") == list(COLUMNS)
    assert COLUMNS[:12] == (
        "patient_id",
        "study_date",
        "study_instance_uid",
        "series_instance_uid",
        "sop_instance_uid",
        "side",
        "compartment",
        "slice_index",
        "measured_slice",
        "position_mm",
        "extrusion_mm",
        "u_mm",
    )


def test_each_compartment_on_each_slice_has_its_row_the_measured_slice_first(case: Case) -> None:
    listed = [
        (row["slice_index"], row["compartment"], row["measured_slice"]) for row in rows(case[0])
    ]
    assert listed == [
        ("3", "medial", "true"),
        ("3", "lateral", "true"),
        ("2", "medial", "false"),
        ("2", "lateral", "false"),
        ("4", "medial", "false"),
        ("4", "lateral", "false"),
    ]


def test_values_come_back_to_the_last_digit(make_case: MakeCase) -> None:
    row = rows(make_case(right_mm=4.123456789012345)[0])[0]
    assert float(row["extrusion_mm"]) == 4.123456789012345
    assert float(row["body_width_u_mm"]) == 0.4
    assert (row["flag"], row["decision"], row["grade"]) == ("true", "above", "2")
    assert row["side"] == "right"


def test_dates_and_times_are_iso_8601(case: Case) -> None:
    row = rows(case[0])[0]
    assert row["study_date"] == "2025-09-17"
    assert datetime.fromisoformat(row["measured_at"]).utcoffset() is not None


def test_a_compartment_that_was_not_measured_has_an_empty_row(make_case: MakeCase) -> None:
    row = rows(make_case(left_mm=None)[0])[1]
    assert (row["compartment"], row["extrusion_mm"], row["flag"]) == ("lateral", "", "")


def test_an_unknown_side_is_said(make_case: MakeCase) -> None:
    row = rows(make_case(side=None, named_by_anatomy=False)[0])[0]
    assert (row["side"], row["compartment"]) == ("unknown", "image_left")


def test_each_row_names_what_the_reading_warns_of_and_no_text_of_the_header(case: Case) -> None:
    text = {"side": "left", "source": "given by the user", "attribute": "StudyDescription"}
    warned = (
        Finding(Code.SIDE_AGAINST_TEXT, {**text, "text": "right knee of Doe"}),
        Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": 0.2}),  # a note
        Finding(Code.UNEVEN_GAPS, {"least_mm": 3.0, "most_mm": 3.5}),
    )
    listed = rows(replace(case[0], warnings=warned))
    assert {row["warnings"] for row in listed} == {"side_against_text uneven_gaps"}


@pytest.mark.parametrize("verified", [False, True])
def test_each_row_says_what_its_numbers_mean_and_whether_they_are_verified(
    make_case: MakeCase, verified: bool
) -> None:
    for row in rows(make_case(verified=verified)[0]):
        assert (row["axis_convention"], row["slice_convention"], row["threshold_rule"]) == (
            "rim_to_rim", "largest_medial_spine", "above"
        )  # fmt: skip
        assert row["threshold_mm"] == "3.0"
        assert row["verified"] == str(verified).lower()


def test_each_row_says_which_placement_was_assumed(case: Case) -> None:
    assert {row["assumed_sd_mm"] for row in rows(case[0])} == {""}
    assumed = (Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": 0.2}),)
    assert {row["assumed_sd_mm"] for row in rows(replace(case[0], warnings=assumed))} == {"0.2"}


def test_no_cell_is_carried_out_by_a_spreadsheet(case: Case) -> None:
    source = replace(case[0].source, patient_id="=HYPERLINK(A1)")
    listed = rows(replace(case[0], source=source))
    assert {row["patient_id"] for row in listed} == {"'=HYPERLINK(A1)"}


def test_several_readings_share_one_heading(case: Case) -> None:
    assert len(rows(case[0], case[0])) == 12

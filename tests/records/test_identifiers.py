from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.report.images import SeriesImages

Case = tuple[Reading, SeriesImages]
MakeCase = Callable[..., Case]


def test_every_identifying_field_is_emptied(make_case: MakeCase) -> None:
    source = without_identifiers(make_case()[0]).source
    assert source.patient_name == source.patient_id == source.study_date == ""
    assert source.study_instance_uid == source.series_instance_uid == ""
    assert source.sop_instance_uid == source.series_description == ""


def test_slices_and_reader_lose_their_identity_too(make_case: MakeCase) -> None:
    anonymous = without_identifiers(make_case(verified=True)[0])
    assert {part.sop_instance_uid for part in (anonymous.measured, *anonymous.neighbours)} == {""}
    assert anonymous.verified
    assert anonymous.verified_by is None


@pytest.mark.parametrize(
    ("warning", "left"),
    [
        ("Quillfeather's knee", "[left out]'s knee"),
        ("series quillfeather_zebedee is short", "series [left out]_[left out] is short"),
        ("ID PID-90817 twice", "ID [left out] twice"),
        ("taken on 20250917", "taken on [left out]"),
        ("slice 2.25.333334 is missing", "slice [left out] is missing"),
        ("cannot read /data/Q.F/knee.dcm: truncated", "cannot read [left out]: truncated"),
        (r"cannot read C:\scans\QF\1.dcm.", "cannot read [left out]."),
        (
            "series 4 'COR PD' ranked before series 7 'T1, for Dr. Q'",
            "series 4 [left out] ranked before series 7 [left out]",
        ),
        (
            'says right, against StudyDescription "LT KNEE Q."',
            "says right, against StudyDescription [left out]",
        ),
        ("the plateau's rim, the knee's side", "the plateau's rim, the knee's side"),
        ("slice spacing 3.3 mm, 1 and/or 2", "slice spacing 3.3 mm, 1 and/or 2"),
    ],
)
def test_identifiers_and_paths_quoted_in_a_warning_are_replaced(
    case: Case, warning: str, left: str
) -> None:
    reading = replace(case[0], warnings=(warning,))
    assert without_identifiers(reading).warnings == (left,)


def test_values_geometry_and_conventions_stay(case: Case) -> None:
    reading = case[0]
    anonymous = without_identifiers(reading)
    assert anonymous.measured.compartments == reading.measured.compartments
    assert anonymous.conventions == reading.conventions
    assert anonymous.source.side == reading.source.side

"""Whether visits that come from several patients, and images under two names, are noticed."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pydicom
import pytest

from meniscal_measure.cli.cohort_progress import say_end
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.identity_doubts import identity_doubts
from meniscal_measure.cohort.paper.blocks import Table
from meniscal_measure.cohort.paper.study_report import cohort_report
from meniscal_measure.cohort.run import Job, Progress, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import export_csv, export_table
from meniscal_measure.cohort.task import Measure, Settings, carry_out, measure_knee
from tests.cohort.conftest import MakeKnee

Visits = Mapping[tuple[str, str], tuple[str, str, str]]
"""Patient ID, name and birth date by subject and visit."""


def run(
    entries: list[Entry], store: Path, measure: Measure, settings: Settings | None = None
) -> Progress:
    job = Job(store, settings or Settings())
    return run_cohort(
        entries, job, carry_out=lambda tasks: (carry_out(one, measure) for one in tasks)
    )


def doubts(store: Path) -> dict[str, str]:
    with Store.existing(store) as opened:
        found = identity_doubts(opened)
    return {key: " ".join(one.words() for one in each) for key, each in found.items()}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "cohort.sqlite"


@pytest.fixture
def measured(make_knee: MakeKnee, store: Path, measure: Measure) -> Callable[[Visits], list[Entry]]:
    """Measure visits of patients."""

    def measured(visits: Visits) -> list[Entry]:
        entries = [
            make_knee(subject, visit=visit, record={"patient": patient})
            for (subject, visit), patient in visits.items()
        ]
        run(entries, store, measure)
        return entries

    return measured


Measured = Callable[[Visits], list[Entry]]


def test_visits_of_one_patient_raise_no_doubt(measured: Measured, store: Path) -> None:
    doe = ("4711", "doe^jo", "19700101")
    measured({("S1", "1"): doe, ("S1", "2"): doe, ("S2", "1"): ("4712", "roe^al", "19800202")})
    assert doubts(store) == {}


@pytest.mark.parametrize(
    ("other", "attributes"),
    [
        (("4712", "doe^jo", "19700101"), "Patient ID"),
        (("4711", "roe^al", "19700101"), "Patient's Name"),
        (("4711", "doe^jo", "19800202"), "Patient's Birth Date"),
        (("4712", "roe^al", ""), "Patient ID and Patient's Name"),
    ],
)
def test_visits_of_two_patients_are_doubted_both(
    measured: Measured, store: Path, other: tuple[str, str, str], attributes: str
) -> None:
    visits = {("S1", "1"): ("4711", "doe^jo", "19700101"), ("S1", "2"): other, ("S2", "1"): other}
    first, second, _ = measured(visits)
    sentence = f"The series of subject S1 differ in {attributes}: they may be of several patients."
    found = doubts(store)
    assert set(found) == {first.key, second.key}
    assert all(one.startswith(sentence) for one in found.values())


def test_what_a_header_does_not_say_is_no_difference(measured: Measured, store: Path) -> None:
    measured({("S1", "1"): ("4711", "", ""), ("S1", "2"): ("", "doe^jo", "19700101")})
    assert doubts(store) == {}


def test_the_store_holds_no_word_of_a_patient(measured: Measured, store: Path) -> None:
    measured({("S1", "1"): ("PN-4711", "doe^jo", "19700101")})
    held = b"".join(path.read_bytes() for path in store.parent.glob("cohort.sqlite*"))
    assert not any(word in held for word in (b"PN-4711", b"doe^jo", b"19700101"))


def test_two_stores_mark_the_same_patient_differently(
    make_knee: MakeKnee, tmp_path: Path, measure: Measure
) -> None:
    entry = make_knee("S1", record={"patient": ("4711", "doe^jo", "19700101")})
    marks = []
    for name in ("a.sqlite", "b.sqlite"):
        run([entry], tmp_path / name, measure)
        with Store.existing(tmp_path / name) as opened:
            marks.append(opened._base.execute("SELECT * FROM patient").fetchone()[2:])
    assert marks[0] != marks[1]
    assert all(len(mark) == 3 for mark in marks[0])


def test_the_doubt_outlasts_another_threshold(
    measured: Measured, store: Path, measure: Measure
) -> None:
    """Readings that are only compared again have no header read again."""
    from meniscal_measure.caliper.reading import Conventions

    entries = measured({("S1", "1"): ("1", "", ""), ("S1", "2"): ("2", "", "")})
    run(entries, store, measure, Settings(Conventions(threshold_mm=2.0)))
    assert set(doubts(store)) == {entry.key for entry in entries}


def test_a_store_of_an_earlier_version_has_no_marks_and_gets_them(
    measured: Measured, store: Path, measure: Measure
) -> None:
    entries = measured({("S1", "1"): ("1", "", ""), ("S1", "2"): ("2", "", "")})
    with Store.existing(store) as opened:
        opened._base.execute("DROP TABLE patient")
        opened._base.execute("DROP TABLE patient_key")
    assert doubts(store) == {}
    run(entries, store, measure, Settings(refine_edges=True))
    assert set(doubts(store)) == {entry.key for entry in entries}


def copied(sample: Path, folder: Path, **attributes: str) -> Path:
    """Copy the coronal series of a sample, as if it were another patient's."""
    shutil.copytree(sample / "series-1", folder)
    for number, path in enumerate(sorted(folder.iterdir())):
        image = pydicom.dcmread(path)
        for name, value in attributes.items():
            setattr(image, name, value)
        if "SeriesInstanceUID" in attributes:
            image.SOPInstanceUID = f"{image.SeriesInstanceUID}.{number}"
            image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
        image.save_as(path)
    return folder


def test_real_files_under_two_names_and_of_two_patients_are_named_everywhere(
    samples: Path, tmp_path: Path, store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sample, landmarks = samples / "normal", tmp_path / "landmarks.json"
    by_index = json.loads((sample / "landmarks.json").read_text())
    for one in by_index["slices"]:
        del one["slice"]["sop_instance_uid"]
    landmarks.write_text(json.dumps(by_index))
    images = copied(sample, tmp_path / "images", PatientBirthDate="19500101")
    (tmp_path / "link").symlink_to(images, target_is_directory=True)
    other = {"PatientName": "Roe^Al", "PatientBirthDate": "19510101"}
    copied(sample, tmp_path / "renamed", **other, SeriesInstanceUID="1.2.826.9")
    entries = [
        Entry("S1", str(images), visit="1", landmarks=str(landmarks)),
        Entry("S2", str(tmp_path / "link"), visit="1", landmarks=str(landmarks)),
        Entry("S1", str(tmp_path / "renamed"), visit="2", landmarks=str(landmarks)),
    ]
    progress = run(entries, store, measure_knee)
    found = doubts(store)
    say_end(progress, store, as_json=False)
    said = capsys.readouterr().err
    first, second, third = (found.get(entry.key, "") for entry in entries)
    assert "The images of S1 at visit 1 were also measured for S2 at visit 1." in first
    assert "The images of S2 at visit 1 were also measured for S1 at visit 1." in second
    for one in (first, third):
        assert "of subject S1 differ in Patient's Name and Patient's Birth Date" in one
        assert "of subject S1 differ in Patient's Name and Patient's Birth Date" in said
    assert "The images of S2 at visit 1 were also measured for S1 at visit 1." in said
    with Store.existing(store) as opened:
        tables = [block for block in cohort_report(opened) if isinstance(block, Table)]
        export_csv(opened, export_table(opened, identifiers=False), tmp_path / "readings.csv")
    (table,) = (one for one in tables if one.caption == "Whose images these are is in doubt")
    assert any("Patient's Name" in row[0] for row in table.rows)
    with (tmp_path / "readings.csv").open() as stream:
        cells = [row["identity_doubt"] for row in csv.DictReader(stream)]
    assert cells == [first, second, third]

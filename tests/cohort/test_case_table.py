"""Numbers of knee cases beside the readings of the same examinations."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import frictionless
import pytest

from meniscal_measure.anatomy import Plane
from meniscal_measure.cohort.case_table import add_cases, case_files, case_table
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import export_csv
from meniscal_measure.cohort.task import Measure, carry_out
from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.knee.answers import RootSign
from meniscal_measure.knee.case_record import CaseStudy, KneeCase, case_to_json
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, TracedSlice, Visit
from meniscal_measure.knee.root_signs import SignLine
from meniscal_measure.slice_name import SliceName
from tests.cohort.conftest import MakeKnee
from tests.command_line import run

STUDY = "1.2"
"""Study Instance UID of a knee that the stand-in measures."""


def seen_on(visit: Visit, number: int) -> TracedSlice:
    name = SliceName(number, 24, number)
    return TracedSlice(Plane.CORONAL, name, f"1.2.3.{number}", visit)


GAP = TracedQuantity(
    "cleft gap", 4.25, "mm", 0.31, Basis.PIXELS, (seen_on(Visit.BASELINE, 9),), "two edges"
)
AGE = TracedQuantity("age", 54.0, "a", None, Basis.ENTERED)
CHANGE = TracedQuantity(
    "change of extrusion", 0.8, "mm", 0.2, Basis.READER,
    (seen_on(Visit.BASELINE, 9), seen_on(Visit.FOLLOW_UP, 10)),
)  # fmt: skip

CASE = KneeCase(
    case_version=1,
    software="meniscal_measure 0",
    made_at="2026-11-27T10:00:00+00:00",
    side="right",
    side_source="images",
    root="medial posterior root",
    studies=(
        CaseStudy(Visit.BASELINE, STUDY, "", ()),
        CaseStudy(Visit.FOLLOW_UP, "1.9", "", ()),
    ),
    parts=(CasePart("Root signs", (GAP, AGE)), CasePart("Follow-up", (CHANGE,))),
    signs=(SignLine(RootSign.GHOST, "ghost", "present", "reader 1", ()),),
    candidate=(),
    questions=(),
    gaps=(),
    cautions=(),
    sources=(),
    notice="",
)


@pytest.fixture
def store(tmp_path: Path, measure: Measure, make_knee: MakeKnee) -> Iterator[Store]:
    path = tmp_path / "cohort.sqlite"
    knee = replace(make_knee("S1", visit="baseline"), group="tear")
    run_cohort([knee], Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        yield opened


def case_file(folder: Path, case: KneeCase) -> Path:
    folder.mkdir()
    (folder / "case.json").write_text(case_to_json(case), "utf-8")
    return folder / "case.json"


def rows(store: Store, folder: Path, *, identifiers: bool = True) -> list[dict[str, str]]:
    export_csv(store, case_table(identifiers=identifiers), folder / "quantities.csv")
    with (folder / "quantities.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_number_and_sign_is_a_row_that_can_be_traced(store: Store, tmp_path: Path) -> None:
    assert add_cases(store, [case_file(tmp_path / "case", CASE)]) == (1, [])
    gap, age, change, sign = rows(store, tmp_path)
    assert {(row["subject"], row["side"], row["group"]) for row in (gap, age, change, sign)} == {
        ("S1", "right", "tear")
    }
    assert (gap["part"], gap["quantity"]) == ("Root signs", "cleft gap")
    assert (gap["value"], gap["unit"], gap["u"]) == ("4.25", "mm", "0.31")
    assert (gap["basis"], gap["source"]) == ("pixels", "two edges")
    assert (gap["visit"], gap["slices"]) == ("baseline", GAP.places)
    assert (gap["study_instance_uid"], gap["sop_instance_uids"]) == (STUDY, "1.2.3.9")
    assert (age["visit"], age["u"], age["slices"]) == ("", "", "")
    assert change["visit"] == "baseline to follow-up"
    assert change["sop_instance_uids"] == "1.2.3.9 1.2.3.10"
    assert (sign["quantity"], sign["seen"], sign["source"]) == ("ghost", "present", "reader 1")


def test_the_newest_case_of_a_knee_counts(store: Store, tmp_path: Path) -> None:
    later = replace(CASE, made_at="2026-11-28T10:00:00+00:00", signs=())
    paths = [case_file(tmp_path / "later", later), case_file(tmp_path / "sooner", CASE)]
    assert add_cases(store, paths)[0] == 2
    assert len(rows(store, tmp_path)) == 3


def test_a_case_of_another_study_or_side_is_left_out(store: Store, tmp_path: Path) -> None:
    other = replace(CASE, studies=(CaseStudy(Visit.BASELINE, "1.7", "", ()),))
    unknown = [
        case_file(tmp_path / "study", other),
        case_file(tmp_path / "side", replace(CASE, side="left")),
    ]
    assert add_cases(store, unknown) == (0, unknown)
    assert not store.has_cases


def test_without_identifiers_no_uid_is_exported(store: Store, tmp_path: Path) -> None:
    add_cases(store, [case_file(tmp_path / "case", CASE)])
    rows(store, tmp_path, identifiers=False)
    assert "1.2" not in (tmp_path / "quantities.csv").read_text("utf-8")


def test_a_file_that_is_no_case_is_refused(store: Store, tmp_path: Path) -> None:
    (tmp_path / "case.json").write_text("{}")
    with pytest.raises(UnreadableFileError, match="is no case of this version"):
        add_cases(store, case_files([tmp_path]))


def test_a_folder_without_a_case_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"There is no case\.json in"):
        case_files([tmp_path])


def test_the_commands_write_both_tables_and_describe_them(store: Store, tmp_path: Path) -> None:
    case_file(tmp_path / "case", CASE)
    stranger = case_file(tmp_path / "stranger", replace(CASE, side="left"))
    given = ["--store", store.path]
    added = run("cohort", "add-cases", tmp_path / "case", stranger, *given)
    assert added.exit_code == 1
    assert "Cases added: 1." in added.output
    assert f"no reading of the store names its study: {stranger}" in " ".join(added.output.split())
    out = tmp_path / "out"
    assert run("cohort", "export", "--out", out, *given).exit_code == 0
    package = json.loads((out / "datapackage.json").read_text("utf-8"))
    assert [one["path"] for one in package["resources"]] == ["readings.csv", "quantities.csv"]
    checked = frictionless.validate(str(out / "datapackage.json"))
    assert checked.valid, checked.flatten(["message"])

"""The cohort commands, from a folder of synthetic examinations to a report."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pydicom
import pytest
from typer.testing import Result

from meniscal_measure import workflow
from meniscal_measure.caliper.reading import AxisConvention, Conventions
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Settings, measure_knee
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.journal import Journal, Verdict
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from meniscal_measure.workflow import KneeReading
from tests.cohort.stored import records_of, rows_of
from tests.command_line import run

SAMPLES = {"exactly-3mm": 3.0, "normal": 1.2, "rectangular-oblique": 2.4, "root-tear": 5.2}
"""Sample series with the medial extrusion they were built with, mm."""


def invoke(*arguments: object) -> Result:
    return run("cohort", *arguments)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory, samples: Path) -> Path:
    """A store with the sample series measured, a folder that holds none, and an exclusion."""
    folder = tmp_path_factory.mktemp("cohort")
    (folder / "nothing").mkdir()
    lines = ["subject,path,landmarks,exclude"]
    lines += [f"{name},{samples / name},{samples / name / 'landmarks.json'}," for name in SAMPLES]
    lines += [f"lost,nothing,{samples / 'normal' / 'landmarks.json'},", "pacemaker,,,no MR"]
    (folder / "manifest.csv").write_text("\n".join(lines))
    result = invoke(
        "measure", folder / "manifest.csv", "--store", folder / "c.sqlite", "--workers", 1
    )
    assert result.exit_code == 1, result.output
    assert "Done: 4 measured, 1 refused" in result.output
    return folder


def test_measured_values_are_those_the_series_were_built_with(measured: Path) -> None:
    with Store.existing(measured / "c.sqlite") as store:
        rows = {row["subject"]: row for row in rows_of(store)}
    for name, extrusion_mm in SAMPLES.items():
        assert rows[name]["medial_extrusion_mm"] == pytest.approx(extrusion_mm, abs=1e-6)
    assert rows["lost"]["status"] == "refused"
    assert rows["pacemaker"]["status"] == "excluded"


def test_names_and_numbers_of_patients_are_not_kept(measured: Path) -> None:
    with Store.existing(measured / "c.sqlite") as store:
        for record in records_of(store):
            assert record["source"]["patient_id"] == ""
            assert record["source"]["patient_name"] == ""


def test_measuring_again_finds_nothing_to_do(measured: Path) -> None:
    result = invoke(
        "measure", measured / "manifest.csv", "--store", measured / "c.sqlite", "--json"
    )
    assert result.exit_code == 0
    end = json.loads(result.stdout)
    assert (end["total"], end["already_done"], end["stopped"]) == (5, 5, False)


def test_another_rule_at_the_threshold_measures_nothing_again(
    measured: Path, tmp_path: Path
) -> None:
    store = Path(shutil.copy(measured / "c.sqlite", tmp_path))
    rule = ("--threshold-rule", "at_or_above", "--time-limit", 60)
    result = invoke("measure", measured / "manifest.csv", "--store", store, *rule, "--json")
    end = json.loads(result.stdout)
    assert (end["decided"], end["refused"], "measured" in end) == (4, 1, False)
    back = Path(shutil.copy(measured / "c.sqlite", tmp_path / "said.sqlite"))
    result = invoke("measure", measured / "manifest.csv", "--store", back, *rule)
    assert "Done: 4 compared with the new threshold only, 1 refused" in result.output
    with Store.existing(store) as opened:
        flags = {row["subject"]: row["medial_flag"] for row in rows_of(opened)}
    assert flags["exactly-3mm"] == 1
    with Store.existing(measured / "c.sqlite") as opened:
        flags = {row["subject"]: row["medial_flag"] for row in rows_of(opened)}
    assert flags["exactly-3mm"] == 0


def test_files_that_were_touched_and_hold_the_same_are_said(samples: Path, tmp_path: Path) -> None:
    landmarks = Path(shutil.copy(samples / "normal" / "landmarks.json", tmp_path))
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(f"subject,path,landmarks\nS1,{samples / 'normal'},{landmarks}\n")
    arguments = ("measure", manifest, "--store", tmp_path / "c.sqlite", "--workers", 1)
    assert "Done: 1 measured; 0 were done before" in invoke(*arguments).output
    os.utime(landmarks, (0, 0))
    assert "Done: 1 with the same files as before; 0 were" in invoke(*arguments).output
    assert "Done: nothing to do; 1 were done before" in invoke(*arguments).output


def test_export_writes_table_and_dictionary(measured: Path, tmp_path: Path) -> None:
    result = invoke("export", "--store", measured / "c.sqlite", "--out", tmp_path, "--parquet")
    assert "`cohort measure` notices which of them changed" in result.output
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "datapackage.json", "readings.csv", "readings.parquet",
    ]  # fmt: skip


def test_report_writes_page_and_pdf(measured: Path, tmp_path: Path) -> None:
    result = invoke("report", "--store", measured / "c.sqlite", "--out", tmp_path)
    assert result.exit_code == 0, result.output
    assert "Medial extrusion" in (tmp_path / "cohort.html").read_text("utf-8")
    assert (tmp_path / "cohort.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(("rule", "flagged"), [("above", 1), ("at_or_above", 2)])
def test_flag_plot_and_accuracy_agree_at_exactly_three_millimetres(
    samples: Path, tmp_path: Path, rule: str, flagged: int
) -> None:
    # Medially 1.2, 2.4, exactly 3.0 and 5.2 mm; the finding is that of 3.0 and 5.2 mm.
    lines = ["subject,visit,path,landmarks"]
    lines += [f"{name},1,{samples / name},{samples / name / 'landmarks.json'}" for name in SAMPLES]
    (tmp_path / "manifest.csv").write_text("\n".join(lines))
    store = tmp_path / "c.sqlite"
    arguments = ["--store", store, "--workers", 1, "--threshold-rule", rule]
    assert invoke("measure", tmp_path / "manifest.csv", *arguments).exit_code == 0
    with Store.existing(store) as opened:
        rows = rows_of(opened)
    lines = ["subject,visit,side,finding"]
    lines += [
        f"{row['subject']},1,{row['side_measured']},{int(row['medial_extrusion_mm'] > 2.7)}"
        for row in rows
    ]
    (tmp_path / "reference.csv").write_text("\n".join(lines))
    reference = ["--reference", tmp_path / "reference.csv"]
    result = invoke("report", "--store", store, "--out", tmp_path / "report", *reference)
    assert result.exit_code == 0, result.output
    page = (tmp_path / "report" / "cohort.html").read_text("utf-8")
    assert sum(row["medial_flag"] for row in rows) == flagged
    assert f"Readings flagged: {flagged}." in page
    assert f"{flagged} flagged" in page
    assert "no interval is given" in page  # of an area of 1
    assert f"true positive {flagged}, false negative {2 - flagged}, false positive 0" in page


def test_a_folder_of_examinations_becomes_a_manifest(samples: Path, tmp_path: Path) -> None:
    result = invoke("propose", samples, "--out", tmp_path / "manifest.csv")
    assert result.exit_code == 0, result.output
    with (tmp_path / "manifest.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(SAMPLES)
    assert {row["subject"] for row in rows} == {f"S{n:05d}" for n in range(1, 5)}
    assert {row["side"] for row in rows} <= {"left", "right"}


def test_a_folder_without_images_is_said(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = invoke("propose", tmp_path, "--out", tmp_path / "manifest.csv")
    assert result.exit_code == 3
    assert "No MR image lies in the folders" in result.output


def test_readers_get_work_lists_and_the_keeper_a_key(measured: Path, tmp_path: Path) -> None:
    arguments = ["--reader", "A", "--reader", "B", "--repeats", 1, "--seed", 7, "--out", tmp_path]
    result = invoke("assign", measured / "manifest.csv", *arguments)
    assert result.exit_code == 0, result.output
    assert "2 readers each were given 5 knees" in result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "images", "key.csv", "manifest.csv", "work-list-A.csv", "work-list-B.csv",
    ]  # fmt: skip
    left_out = list(csv.DictReader((tmp_path / "manifest.csv").read_text().splitlines()))[-1]
    assert (left_out["subject"], left_out["exclude"]) == ("pacemaker", "no MR")


def test_a_single_reader_has_nothing_to_adjudicate(measured: Path, tmp_path: Path) -> None:
    out = tmp_path / "adjudicate.csv"
    result = invoke("adjudicate", "--store", measured / "c.sqlite", "--out", out)
    assert result.exit_code == 0, result.output
    assert result.output.startswith("0 knees differ")
    assert len(out.read_text().splitlines()) == 1


def test_a_bad_manifest_is_a_message_with_every_problem(tmp_path: Path) -> None:
    (tmp_path / "manifest.csv").write_text("subject,path\n,nowhere\n")
    store = tmp_path / "c.sqlite"
    result = invoke("measure", tmp_path / "manifest.csv", "--store", store)
    assert result.exit_code == 3
    assert "line 2: no subject" in result.output


def test_a_store_that_is_not_there_is_said(tmp_path: Path) -> None:
    result = invoke("report", "--store", tmp_path / "c.sqlite", "--out", tmp_path)
    assert result.exit_code == 2
    assert "There is no store" in result.output


def test_a_series_cut_short_is_refused_and_the_others_measured(
    samples: Path, tmp_path: Path
) -> None:
    lines = ["subject,path,landmarks"]
    for number in range(4):
        shutil.copytree(samples / "normal", tmp_path / f"k{number}")
        lines.append(f"S{number},k{number},k{number}/landmarks.json")
    for image in (tmp_path / "k2").rglob("*.dcm"):
        image.write_bytes(image.read_bytes()[:-5000])
    (tmp_path / "manifest.csv").write_text("\n".join(lines))
    store = tmp_path / "c.sqlite"
    result = invoke("measure", tmp_path / "manifest.csv", "--store", store, "--workers", 1)
    assert result.exit_code == 1
    with Store.existing(store) as opened:
        rows = rows_of(opened)
    assert [row["status"] for row in rows] == ["measured", "measured", "refused", "measured"]
    assert "cut short" in rows[2]["reason"]


def test_reasons_do_not_say_in_which_folder_a_knee_lies(samples: Path, tmp_path: Path) -> None:
    """Folders may carry a patient's name; reasons stand in exports and reports."""
    folder = tmp_path / "SURNAME^GIVEN"
    shutil.copytree(samples / "normal", folder / "SURNAME GIVEN" / "MIDDLENAME")
    for image in folder.rglob("*.dcm"):
        image.write_bytes(image.read_bytes()[:-5000])
    broken = tmp_path / "OTHER^NAME.json"
    broken.write_text("{")
    lines = ["subject,path,landmarks", f"S1,{folder.name},{samples}/normal/landmarks.json"]
    lines.append(f"S2,{samples / 'root-tear'},{broken.name}")
    (tmp_path / "manifest.csv").write_text("\n".join(lines))
    store = tmp_path / "c.sqlite"
    invoke("measure", tmp_path / "manifest.csv", "--store", store, "--workers", 1)
    with Store.existing(store) as opened:
        reasons = [row["reason"] for row in rows_of(opened)]
    assert reasons[0].startswith("No usable MR image in [left out]: [left out]: PixelData is cut")
    assert reasons[1].startswith("[left out]: not valid JSON")
    assert not any("NAME" in reason or str(tmp_path) in reason for reason in reasons)


def test_warnings_do_not_quote_free_text_of_headers(samples: Path, tmp_path: Path) -> None:
    """Names are found in it, and warnings stand in the report."""
    study = Path(shutil.copytree(samples / "normal", tmp_path / "study"))
    for image in study.rglob("*.dcm"):
        dataset = pydicom.dcmread(image)
        dataset.SeriesDescription = "LT KNEE SURNAME"
        dataset.save_as(image)
    entry = Entry("S1", str(study))
    record = measure_knee(entry, study, study / "landmarks.json", Settings())
    (warning,) = [one for one in record["warnings"] if one["severity"] == "warning"]
    assert 'against SeriesDescription "[left out]"' in warning["text"]


def test_the_size_of_a_study_is_told_with_its_source() -> None:
    result = invoke("sample-size", "--icc", 0.9, "--width", 0.1, "--change-mm", 0.5, "--sd-mm", 1)
    assert result.exit_code == 0, result.output
    assert "Bonett" in result.output
    # statsmodels TTestPower: 33.37 for an effect of 0.5 at 80 % power.
    assert "a mean change of 0.5 mm with SD 1 mm, power 80 %" in result.output
    assert re.search(r" 34 +knees \[2\]", result.output)
    assert "an ICC of 0.9 with an interval 0.1 wide, 2 readings of each knee" in result.output
    assert re.search(r" 61 +knees \[1\]", result.output)


def test_the_spread_of_a_change_is_asked_for_and_not_guessed() -> None:
    result = invoke("sample-size", "--change-mm", 0.5)
    assert result.exit_code == 2
    assert "Give --sd-mm too" in result.output


def test_a_study_without_a_question_has_no_size() -> None:
    result = invoke("sample-size")
    assert result.exit_code == 2
    assert "Give --icc or --change-mm" in result.output


def sign(path: Path, reader: str, verdicts: dict[str, dict[str, object]]) -> None:
    """Sign on behalf of the review page: content by the knee's name."""
    store = SignedStore(path, {})
    for knee, content in verdicts.items():
        verdict = Verdict.REJECTED if content["reading"] is None else Verdict.MEASURED
        with store.writing() as connection:
            Journal(store).append(
                connection, TaskKey(reader, knee, 1), verdict, {"series": None, **content}
            )


@pytest.fixture
def signed_study(samples: Path, tmp_path: Path) -> Path:
    """Two knees handed to reader A, one signed and one rejected, and to reader B, who is late."""
    lines = ["subject,visit,group,path"]
    lines += [f"{name},1,study,{samples / name}" for name in ("root-tear", "normal")]
    (tmp_path / "knees.csv").write_text("\n".join(lines))
    names = ["--reader", "A", "--reader", "B"]
    result = invoke("assign", tmp_path / "knees.csv", *names, "--out", tmp_path)
    assert result.exit_code == 0, result.output
    with (tmp_path / "key.csv").open(newline="") as stream:
        codes = {row["subject"]: row["code"] for row in csv.DictReader(stream)
                 if row["reader"] == "A"}  # fmt: skip
    study = samples / "root-tear"
    knee = workflow.measure(study, landmarks=study / "landmarks.json")
    record = reading_to_dict(signed_by(knee.reading, "A"))
    rejected: dict[str, object] = {"reading": None, "rejection": "Image quality too poor"}
    verdicts: dict[str, dict[str, object]] = {
        codes["root-tear"]: {
            "reading": record,
            "rejection": None,
            "quality": ["motion"],
            "remark": "a little",
        },
        codes["normal"]: rejected,
        "XXXXX": rejected,
    }
    sign(tmp_path / "signed.sqlite", "A", verdicts)
    return tmp_path


def sign_more(folder: Path, reader: str, knee: KneeReading) -> None:
    """Sign the same knee on behalf of a reader, over what the reader signed before."""
    with (folder / "key.csv").open(newline="") as stream:
        (code,) = [row["code"] for row in csv.DictReader(stream)
                   if (row["reader"], row["subject"]) == (reader, "root-tear")]  # fmt: skip
    record = reading_to_dict(knee.reading)
    content: dict[str, object] = {"reading": record, "rejection": None, "quality": [], "remark": ""}
    sign(folder / "signed.sqlite", reader, {code: content})


def measure_signed(folder: Path, *arguments: object) -> list[dict[str, Any]]:
    store = folder / "c.sqlite"
    invoke("measure", folder / "signed.csv", "--store", store, "--workers", 1, *arguments)
    with Store.existing(store) as opened:
        return [row for row in rows_of(opened) if row["status"] == "measured"]


def collect(folder: Path) -> Result:
    return invoke(
        "collect", folder / "manifest.csv", folder / "signed.sqlite", "--out", folder / "signed.csv"
    )


def test_every_reading_asked_for_is_collected_with_what_became_of_it(signed_study: Path) -> None:
    result = collect(signed_study)
    assert result.exit_code == 0, result.output
    assert "Not in the manifest: XXXXX signed by A, round 1." in result.output
    assert "1 signed readings, 1 rejected, 2 not signed yet." in result.output
    with (signed_study / "signed.csv").open(newline="") as stream:
        rows = {(row["reader"], row["subject"]): row for row in csv.DictReader(stream)}
    assert rows["A", "root-tear"]["exclude"] == ""
    assert rows["A", "normal"]["exclude"] == "rejected by A: Image quality too poor"
    assert rows["B", "normal"]["exclude"] == "not signed yet"
    landmarks = json.loads(Path(rows["A", "root-tear"]["landmarks"]).read_text())
    assert all(one["slice"]["sop_instance_uid"] for one in landmarks["slices"])


def test_who_signed_and_when_arrives_in_the_store(signed_study: Path) -> None:
    collect(signed_study)
    store = signed_study / "c.sqlite"
    result = invoke("measure", signed_study / "signed.csv", "--store", store, "--workers", 1)
    assert result.exit_code == 0, result.output
    (signing,) = [
        one for one in Journal(SignedStore(signed_study / "signed.sqlite", {})).all()
        if one.verdict is Verdict.MEASURED
    ]  # fmt: skip
    with Store.existing(store) as opened:
        (row,) = [row for row in rows_of(opened) if row["status"] == "measured"]
    assert row["medial_extrusion_mm"] == pytest.approx(SAMPLES["root-tear"], abs=1e-6)
    assert (row["verified"], row["verified_by"], row["signed_at"]) == (1, "A", signing.signed_at)
    assert (row["quality"], row["remark"]) == ("motion", "a little")
    assert row["proposal_confidence"] is None
    assert row["group"] == "study"
    assert row["slice_convention"] == "medial_spine_apex"


def test_points_that_are_moved_after_signing_are_not_verified(signed_study: Path) -> None:
    collect(signed_study)
    store = signed_study / "c.sqlite"
    arguments = ["--store", store, "--workers", 1, "--refine-edges"]
    invoke("measure", signed_study / "signed.csv", *arguments)
    with Store.existing(store) as opened:
        (row,) = [row for row in rows_of(opened) if row["status"] == "measured"]
    assert (row["verified"], row["verified_by"], row["signed_at"]) == (0, None, None)


def test_a_reading_is_verified_only_along_the_axis_it_was_signed_along(
    samples: Path, signed_study: Path
) -> None:
    study = samples / "root-tear"
    vertical = Conventions(axis=AxisConvention.IMAGE_VERTICAL)
    reading = workflow.measure(study, landmarks=study / "landmarks.json", conventions=vertical)
    sign_more(signed_study, "A", reading)
    result = collect(signed_study)
    assert "as they were signed: cohort measure --axis image_vertical" in result.output
    (row,) = measure_signed(signed_study)
    assert (row["axis_convention"], row["verified"]) == ("rim_to_rim", 0)
    (row,) = measure_signed(signed_study, "--axis", "image_vertical")
    assert (row["axis_convention"], row["verified"]) == ("image_vertical", 1)


def test_readings_signed_along_different_axes_are_said(samples: Path, signed_study: Path) -> None:
    study = samples / "root-tear"
    vertical = Conventions(axis=AxisConvention.IMAGE_VERTICAL)
    reading = workflow.measure(study, landmarks=study / "landmarks.json", conventions=vertical)
    sign_more(signed_study, "B", reading)
    result = collect(signed_study)
    assert "different axes: 1 along rim_to_rim, 1 along image_vertical." in result.output
    assert {row["reader"]: row["verified"] for row in measure_signed(signed_study)} == {
        "A": 1, "B": 0,
    }  # fmt: skip


def test_a_collected_reading_is_as_uncertain_as_it_was_signed(
    samples: Path, signed_study: Path
) -> None:
    """Of a proposal every landmark has a standard deviation of its own."""
    reading = workflow.measure(samples / "root-tear")
    assert reading.medial is not None
    assert len({mark.sd_mm for mark in reading.medial.landmarks.values()}) > 1
    sign_more(signed_study, "A", reading)
    collect(signed_study)
    (row,) = measure_signed(signed_study)
    signed = reading.medial.extrusion
    assert row["medial_extrusion_mm"] == pytest.approx(signed.extrusion_mm, abs=1e-6)
    assert row["medial_u_mm"] == pytest.approx(signed.u_mm, abs=1e-6)


def test_collecting_again_changes_nothing(signed_study: Path) -> None:
    collect(signed_study)
    files = sorted(signed_study.rglob("*.json"))
    before = [path.read_bytes() for path in files]
    assert len(before) == 1
    collect(signed_study)
    assert [path.read_bytes() for path in files] == before


def test_a_review_store_that_is_not_there_is_said(signed_study: Path) -> None:
    (signed_study / "signed.sqlite").unlink()
    result = collect(signed_study)
    assert result.exit_code == 2
    assert "Name the store of the review page" in result.output


def test_another_threshold_is_asked_for_and_stands_in_every_output(
    measured: Path, tmp_path: Path
) -> None:
    store = Path(shutil.copy(measured / "c.sqlite", tmp_path))
    arguments = ("--store", store, "--threshold-mm", 2.0, "--json")
    end = json.loads(invoke("measure", measured / "manifest.csv", *arguments).stdout)
    assert (end["decided"], "measured" in end) == (4, False)
    with Store.existing(store) as opened:
        rows = {row["subject"]: row for row in rows_of(opened)}
        conventions = [record["conventions"] for record in records_of(opened)]
    assert rows["rectangular-oblique"]["medial_flag"] == 1  # 2.4 mm
    assert {row["threshold_mm"] for row in rows.values() if row["threshold_mm"]} == {2.0}
    assert {one["threshold_mm"] for one in conventions} == {2.0}
    invoke("report", "--store", store, "--out", tmp_path / "report")
    page = (tmp_path / "report" / "cohort.html").read_text("utf-8")
    assert "flagged where it is &gt; 2 mm, exactly 2 is not above" in page


def test_a_threshold_that_is_no_number_is_refused(measured: Path, tmp_path: Path) -> None:
    arguments = ("--store", tmp_path / "c.sqlite", "--threshold-mm", "nan")
    result = invoke("measure", measured / "manifest.csv", *arguments)
    assert result.exit_code == 2


def test_progress_is_seen_without_a_terminal_and_kept_in_a_log(
    samples: Path, tmp_path: Path
) -> None:
    manifest, log = tmp_path / "manifest.csv", tmp_path / "logs" / "run.log"
    (tmp_path / "nothing").mkdir()
    manifest.write_text(
        f"subject,path,landmarks\nS1,{samples / 'normal'},{samples / 'normal' / 'landmarks.json'}\n"
        f"S2,nothing,{samples / 'normal' / 'landmarks.json'}\n"
    )
    arguments = ("--store", tmp_path / "c.sqlite", "--workers", 1, "--log", log, "--json")
    result = invoke("measure", manifest, *arguments)
    assert "0 of 2 done, 0 failed" in result.stderr
    assert "2 of 2 done, 1 failed" in result.stderr
    lines = log.read_text("utf-8").splitlines()
    assert "begun: 0 of 2 done" in lines[0]
    assert any(' measured ["S1"' in line for line in lines)
    assert any(' refused ["S2"' in line and ": " in line for line in lines)
    end = json.loads(result.stdout)
    ((reason),) = end["reasons"]
    assert (reason["status"], reason["count"]) == ("refused", 1)


def test_readings_of_earlier_manifests_are_reported(samples: Path, tmp_path: Path) -> None:
    def manifest(name: str) -> Path:
        path = tmp_path / f"{name}.csv"
        study = samples / name
        path.write_text(f"subject,path,landmarks\n{name},{study},{study / 'landmarks.json'}\n")
        return path

    arguments = ("--store", tmp_path / "c.sqlite", "--workers", 1)
    invoke("measure", manifest("normal"), *arguments)
    added = invoke("measure", manifest("root-tear"), *arguments)
    assert "Readings of earlier manifests that this one does not name: 1. They stay" in added.output
    alone = invoke("measure", manifest("root-tear"), *arguments, "--replace")
    assert "Readings of earlier manifests left out: 1." in alone.output


def test_neither_work_list_nor_paths_tell_who_is_read(samples: Path, tmp_path: Path) -> None:
    (tmp_path / "SURNAME").mkdir()
    study = Path(shutil.copytree(samples / "normal", tmp_path / "SURNAME" / "visit-2"))
    (tmp_path / "knees.csv").write_text(
        "subject,visit,path\n"
        + "".join(f"P{n},2,{shutil.copytree(study, tmp_path / f'K{n}')}\n" for n in range(3))
    )
    out = tmp_path / "study"
    arguments = ["--reader", "A", "--repeats", 1, "--out", out]
    assert invoke("assign", tmp_path / "knees.csv", *arguments).exit_code == 0
    with (out / "work-list-A.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    listed = str(rows)
    assert not any(word in listed for word in ("P0", "P1", "K0", "visit", "normal", "SURNAME"))
    names = [sorted(path.name for path in Path(row["study"]).iterdir()) for row in rows]
    assert names == [names[0]] * 4
    assert names[0][0] == "00001.dcm"
    reading = workflow.measure(rows[0]["study"], landmarks=study / "landmarks.json").reading
    assert reading.medial is not None
    assert reading.medial.extrusion.extrusion_mm == pytest.approx(SAMPLES["normal"], abs=1e-6)

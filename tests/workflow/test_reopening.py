"""A stored reading is shown again only where its landmarks still give its values."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import meniscal_measure
from meniscal_measure.caliper.reading import Conventions, ThresholdRule
from meniscal_measure.cohort.redecide import with_threshold
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.codec import reading_from_dict, reading_to_dict
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.series.model import Study
from meniscal_measure.workflow import reopen

Record = dict[str, Any]
Change = Callable[[Record], object]


@pytest.fixture(scope="module")
def study(samples: Path) -> Study:
    return meniscal_measure.read(samples / "root-tear")


@pytest.fixture(scope="module")
def signed(samples: Path, study: Study) -> str:
    """A signed reading, as JSON."""
    knee = meniscal_measure.measure(study, landmarks=samples / "root-tear" / "landmarks.json")
    return json.dumps(reading_to_dict(signed_by(knee.reading, "Reader A")))


def test_a_reading_that_was_left_alone_is_reopened(signed: str, study: Study) -> None:
    reading = reading_from_dict(json.loads(signed))
    assert reopen(reading, study).reading == reading


def test_a_warning_that_was_taken_out_comes_back(signed: str, study: Study) -> None:
    reading = reading_from_dict(json.loads(signed))
    fewer = replace(reading, warnings=())
    (given_back,) = reopen(fewer, study).reading.warnings
    assert given_back.code is Code.ASSUMED_PLACEMENT_SD


def test_a_warning_whose_values_were_edited_is_given_as_it_was(signed: str, study: Study) -> None:
    reading = reading_from_dict(json.loads(signed))
    edited = (Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": 0.9}),)
    assert reopen(replace(reading, warnings=edited), study).reading.warnings == reading.warnings


def test_a_warning_that_an_earlier_version_wrote_as_text_is_not_doubled(
    signed: str, study: Study
) -> None:
    reading = reading_from_dict(json.loads(signed))
    written = tuple(Finding(Code.AS_WRITTEN, {"text": found.words()}) for found in reading.warnings)
    assert reopen(replace(reading, warnings=written), study).reading.warnings == written


@pytest.mark.parametrize(
    ("key", "change"),
    [
        ("medial.extrusion_mm", lambda record: record["medial"].update(extrusion_mm=4.4)),
        ("medial.flag", lambda record: record["medial"].update(flag=False)),
        ("medial.decision", lambda record: record["medial"].update(decision="not_above")),
        ("medial.u_mm", lambda record: record["medial"].update(u_mm=0.01)),
        ("medial.budget", lambda record: record["medial"].update(budget=[])),
        ("lateral", lambda record: record.update(lateral=None)),
        ("conventions|medial", lambda record: record["conventions"].update(threshold_mm=9.0)),
        ("source.pixel_spacing_mm", lambda record: record["source"].update(
            pixel_spacing_mm=[0.3, 0.3])),
        ("source.patient_name", lambda record: record["source"].update(patient_name="Other^One")),
        ("neighbours", lambda record: record["neighbours"][0]["medial"].update(extrusion_mm=9.9)),
    ],
)  # fmt: skip
def test_a_value_that_was_edited_is_refused(
    signed: str, study: Study, key: str, change: Change
) -> None:
    record = json.loads(signed)
    change(record)
    said = rf"measured again, ({key})|cannot be measured again|changed after Reader A signed"
    with pytest.raises(InputError, match=said):
        reopen(reading_from_dict(record), study)


def results(record: Any, name: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Every number and decision that follows from landmarks and images, and where it is held."""
    parts = record.items() if isinstance(record, dict) else enumerate(record)
    for key, value in parts:
        if key == "landmarks":
            continue
        if isinstance(value, dict | list):
            yield from results(value, f"{name}.{key}")
        elif isinstance(value, float | int):
            yield f"{name}.{key}", record, key


def reproduces(record: Record, study: Study) -> bool:
    try:
        reopen(reading_from_dict(record), study)
    except InputError:
        return False
    return True


def test_no_result_of_an_unsigned_reading_can_be_edited(signed: str, study: Study) -> None:
    unsigned = {"signatures": [], "verified": False, "verified_by": None}
    text = json.dumps(json.loads(signed) | unsigned)
    assert reproduces(json.loads(text), study)
    shown = ("source", "slice", "medial", "lateral", "neighbours")
    names = [name for part in shown for name, _, _ in results(json.loads(text)[part], part)]
    assert len(names) > 200
    unnoticed = []
    for name in names:
        record = json.loads(text)
        part = name.partition(".")[0]
        holder, key = next((h, k) for n, h, k in results(record[part], part) if n == name)
        holder[key] = not holder[key] if isinstance(holder[key], bool) else holder[key] + 1e-3
        unnoticed += [name] if reproduces(record, study) else []
    assert unnoticed == []


@pytest.mark.parametrize(
    "change",
    [
        lambda record: record["medial"]["landmarks"]["rim"].update(sd_mm=0.3),
        lambda record: record["medial"]["landmarks"]["rim"]["patient_mm"].__setitem__(0, 1.0),
        lambda record: record["source"].update(side="left"),
        lambda record: record["conventions"].update(slice="maximum_extrusion"),
        lambda record: (
            record["signatures"][0].update(reader="Reader B")
            or record.update(verified_by="Reader B")
        ),
        lambda record: record["signatures"][0].update(seal=""),
    ],
)
def test_what_was_changed_after_it_was_signed_is_refused(
    signed: str, study: Study, change: Change
) -> None:
    record = json.loads(signed)
    change(record)
    with pytest.raises(InputError, match=r"were changed after Reader . signed it"):
        reopen(reading_from_dict(record), study)


@pytest.mark.parametrize(
    "threshold", [{"threshold_mm": 9.0}, {"threshold_rule": ThresholdRule.AT_OR_ABOVE}]
)
def test_a_threshold_is_signed_too(signed: str, study: Study, threshold: dict[str, Any]) -> None:
    """Another one with everything that follows from it is no more what the reader confirmed."""
    reading = reading_from_dict(json.loads(signed))
    other = replace(reading.conventions, **threshold)
    edited = reading_from_dict(with_threshold(json.loads(signed), other))
    unsigned = replace(edited, signatures=())

    assert reopen(unsigned, study).reading.conventions == other
    with pytest.raises(InputError, match=r"threshold .* changed after Reader A signed"):
        reopen(edited, study)
    with pytest.raises(InputError, match=r"threshold .* changed after Reader B signed"):
        reopen(
            reading_from_dict(
                with_threshold(reading_to_dict(signed_by(unsigned, "Reader B")), Conventions())
            ),
            study,
        )


def test_images_that_name_another_patient_are_refused(signed: str, study: Study) -> None:
    record = json.loads(signed)
    record["source"]["patient_id"] = "SOMEBODY-ELSE"
    with pytest.raises(InputError, match="Patient ID SOMEBODY-ELSE, the study of PHANTOM"):
        reopen(reading_from_dict(record), study)


def test_a_reading_without_identifiers_cannot_find_its_images(signed: str, study: Study) -> None:
    anonymous = without_identifiers(reading_from_dict(json.loads(signed)))
    with pytest.raises(UsageError, match="written without identifiers"):
        reopen(anonymous, study)


def test_a_second_signature_keeps_the_first(signed: str, study: Study) -> None:
    again = signed_by(reading_from_dict(json.loads(signed)), "Reader B")
    assert [one.reader for one in again.signatures] == ["Reader A", "Reader B"]
    assert reopen(again, study).reading.verified_by == "Reader B"


@pytest.mark.usefixtures("without_pictures")
def test_a_reading_of_one_compartment_keeps_the_rim_its_axis_runs_to(
    samples: Path, tmp_path: Path
) -> None:
    """Who measures medially only places three landmarks and the lateral rim."""
    document = json.loads((samples / "root-tear" / "landmarks.json").read_text("utf-8"))
    for item in document["slices"]:
        for name in ("lateral_outer_edge", "lateral_free_edge", "lateral_spine_base"):
            item.pop(name, None)
    (tmp_path / "medial.json").write_text(json.dumps(document), "utf-8")
    study = meniscal_measure.read(samples / "root-tear")
    knee = meniscal_measure.measure(study, landmarks=tmp_path / "medial.json")
    assert knee.reading.lateral is None
    knee.save(tmp_path / "out")

    again = reopen(read_reading(tmp_path / "out" / "reading.json"), study)

    assert again.reading.medial == knee.reading.medial
    moved = json.loads((tmp_path / "out" / "reading.json").read_text("utf-8"))
    moved["slice"]["unmeasured"]["landmarks"]["rim"]["patient_mm"][2] += 4.0
    with pytest.raises(InputError, match="does not follow from its landmarks"):
        reopen(reading_from_dict(moved), study)

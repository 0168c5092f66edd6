"""Nothing that reaches a blinded reader says whose knee it is, or what was proposed on it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pydicom
import pytest
from starlette.requests import Request
from starlette.responses import Response

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import (
    InputError,
    LandmarkError,
    MeniscalMeasureError,
    NothingMeasurableError,
    OutputError,
    SideError,
    UnreadableFileError,
    UsageError,
)
from meniscal_measure.records.journal import Signing
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.endpoints import endpoint, safe_words
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.state import first_state
from meniscal_measure.review.worklist import Knee

BLIND = Terms(Conventions(), Blinding(seed=7, repeats=1))


@pytest.fixture
def blind(painted: Callable[..., Path], samples: Path, tmp_path: Path) -> Desk:
    """Three knees with telling names, one of them read twice; every one has a proposal."""
    landmarks = samples / "exactly-3mm" / "landmarks.json"
    knees = [
        Knee("Mustermann baseline", painted("Mustermann", planes=("coronal", "sagittal"))),
        Knee("SECRET-42", samples / "exactly-3mm", None, landmarks),
        Knee("root tear", samples / "root-tear", None, samples / "root-tear" / "landmarks.json"),
        Knee("broken", painted("broken-by-Mustermann", slices=3)),
    ]
    for file in (tmp_path / "broken-by-Mustermann").iterdir():
        dataset = pydicom.dcmread(file)
        dataset.PixelData = b"\0" * len(dataset.PixelData)
        dataset.PhotometricInterpretation = "RGB"
        dataset.save_as(file)
    return Desk(knees, tmp_path / "blind.sqlite", BLIND)


def telling(samples: Path, tmp_path: Path) -> set[str]:
    """Every identifying value in the files, the paths and the work list."""
    words = {"Mustermann", "SECRET", "root tear", "broken", "baseline", str(samples), str(tmp_path)}
    files = [*samples.glob("*/series-1/*"), *tmp_path.glob("*/*.dcm")]
    keywords = (
        *("PatientName", "PatientID", "StudyDate", "PatientBirthDate", "SeriesDescription"),
        *("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "FrameOfReferenceUID"),
        *("StudyDescription", "InstitutionName", "AccessionNumber"),
    )
    for file in files:
        header = pydicom.dcmread(file, specific_tags=list(keywords))
        words |= {str(header.get(keyword, "")) for keyword in keywords}
    return {word for word in words if len(word) > 2}


def everything_told(client: Any) -> dict[str, str]:
    """Ask for all there is, and do all there is to do, on every task."""
    told_by = {"tasks": client.ask("tasks")[1]}
    for task in client.json("tasks")["tasks"]:
        base = f"tasks/{task['id']}"
        status, content = client.ask(base)
        told_by[base] = content
        told_by[f"{base}/slices/0"] = client.ask(f"{base}/slices/0")[1]
        refused = {"revision": 99, "reason": "", "reading_time_s": 0}
        told_by[f"{base}/reject"] = client.ask(f"{base}/reject", refused)[1]
        if status != 200:
            continue
        desk = client.ask(f"{base}/desk")[1]
        told_by[f"{base}/desk"] = desk
        knee = json.loads(content) | json.loads(desk)
        for ask, body in requests(knee).items():
            sent = client.shown(base, body) if ask == "sign" and body else body
            told_by[f"{base}/{ask}"] = client.ask(f"{base}/{ask}", sent)[1]
    return {path: content.decode("latin-1") for path, content in told_by.items()}


def requests(knee: dict[str, Any]) -> dict[str, dict[str, Any] | None]:
    points = {
        name: {
            "pixel": [column, row],
            "origin": "reader",
            "sd_mm": 0.2,
            "sd_across_mm": None,
            "carried_from": None,
        }
        for name, (column, row) in {
            "image_left_rim": (45, 130),
            "image_left_outer_edge": (40, 126),
            "image_right_rim": (194, 125),
        }.items()
    }
    state = {**knee["state"], "landmarks": {str(knee["state"]["slice"]): points}}
    wrong_side = {**state, "side": "R" if knee["side"]["known"] == "L" else "L"}
    index = state["slice"]
    return {
        "measure": {"state": state},
        f"slices/{index}/measure": {"state": wrong_side},
        "snap": {"state": state, "slice": index, "name": "image_left_outer_edge"},
        "planes/0/0": None,
        "planes/0/0/cuts": None,
        "change": {"revision": 0, "state": state},
        "undo": {"revision": 1},
        "redo": {"revision": 2},
        "sign": {"revision": 3, "state": state},
        "slices/999": None,
    }


def test_no_answer_names_the_patient_the_files_or_the_knee(
    blind: Desk, served: Callable[[Desk], Any], samples: Path, tmp_path: Path
) -> None:
    client = served(blind)
    answers = everything_told(client)

    assert len(answers) > 40
    assert any('"refused":""' in answer for answer in answers.values()), "nothing was signed"
    for word in telling(samples, tmp_path):
        for path, answer in answers.items():
            assert word not in answer, f"{path} tells {word}"


def test_nothing_that_was_proposed_reaches_the_page(
    blind: Desk, served: Callable[[Desk], Any], samples: Path
) -> None:
    client = served(blind)
    for task in client.json("tasks")["tasks"]:
        status, content = client.ask(f"tasks/{task['id']}")
        if status == 200:
            knee = json.loads(content) | client.json(f"tasks/{task['id']}/desk")
            assert knee["proposed"] is None
            assert knee["state"]["landmarks"] == {}
            assert knee["state"]["slice"] == len(knee["slices"]) // 2
            assert (knee["remark"], knee["person"]) == ("", "")
            assert knee["series"] == {"key": "", "reason": "", "choices": []}


def test_repeats_cannot_be_told_from_first_readings(
    blind: Desk, served: Callable[[Desk], Any]
) -> None:
    tasks = served(blind).json("tasks")["tasks"]

    assert len(tasks) == 5
    assert [task["label"] for task in tasks] == [f"Knee {number}" for number in range(1, 6)]
    assert {tuple(task) for task in tasks} == {
        ("id", "label", "status", "is_flagged", "is_disagreeing", "reading_time_s")
    }
    assert len({task["id"] for task in tasks}) == 5


def test_the_store_keeps_for_the_analysis_what_the_reader_did_not_see(
    blind: Desk, sign_as_shown: Callable[..., object]
) -> None:
    (task,) = (
        task["id"] for task in blind.tasks("AB") if blind.key("AB", task["id"]).knee == "SECRET-42"
    )
    place = blind.place("AB", task)
    assert place.shown.proposal is None
    proposal = place.knee.proposal
    assert proposal is not None
    own = first_state(proposal.landmarks, place.knee.grids)  # by chance the same points
    draft = blind.begin(place)
    changed = blind.drafts.change(place.draft, draft.revision, json.dumps(own.as_dict()))
    signing = sign_as_shown(blind, place, changed.revision)

    assert isinstance(signing, Signing), signing
    record = signing.record
    assert record["proposal"]["medial"]["extrusion_mm"] == pytest.approx(3.0, abs=1e-6)
    assert record["reading"]["conventions"]["slice"] == "chosen_by_reader"
    assert record["blinding"] == {"seed": 7, "repeats": 1}
    assert record["changes"][-1]["from"] is None


@pytest.mark.parametrize(
    "kind",
    [
        InputError,
        NothingMeasurableError,
        OutputError,
        SideError,
        UnreadableFileError,
        UsageError,
        MeniscalMeasureError,
    ],
)
def test_errors_that_may_name_files_are_told_in_other_words(
    kind: type[MeniscalMeasureError],
) -> None:
    error = kind("/data/Mustermann/1.dcm is broken")

    assert "Mustermann" not in safe_words(error, blinded=True)
    assert safe_words(error, blinded=False) == "/data/Mustermann/1.dcm is broken"


def test_what_the_program_prints_of_such_an_error_steers_no_terminal(
    blind: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise UsageError("{file:private} is broken.", file="Mustermann\x1b[2J.dcm")

    async def answered() -> Response:
        return await endpoint(broken, blind)(
            Request({"type": "http", "method": "GET", "headers": []})
        )

    assert b"Mustermann" not in asyncio.run(answered()).body
    assert capsys.readouterr().err == "Mustermann [2J.dcm is broken.\n"


def test_errors_about_points_are_told_as_they_are() -> None:
    assert safe_words(LandmarkError("Place the rim too."), blinded=True) == "Place the rim too."


def test_a_blinded_store_belongs_to_its_knees(blind: Desk) -> None:
    with pytest.raises(UsageError, match=r"was started with knees ="):
        Desk(blind.knees[:3], blind.store.path, BLIND)
    with pytest.raises(UsageError, match=r"was started with blinding ="):
        Desk(blind.knees, blind.store.path, Terms(Conventions(), Blinding(seed=8, repeats=1)))
    with pytest.raises(UsageError, match=r"was started with blinding ="):
        Desk(blind.knees, blind.store.path, Terms(Conventions()))

"""From a folder to a reading, through the public Python API."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk

import meniscal_measure
from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.landmarks import Origin, SliceConvention
from meniscal_measure.caliper.reading import (
    AxisConvention,
    Conventions,
    Decision,
    Reading,
    Signature,
    ThresholdRule,
)
from meniscal_measure.errors import LandmarkError, NothingMeasurableError, SideError, UsageError
from meniscal_measure.findings import Code, Finding, Severity
from meniscal_measure.records import landmark_file
from meniscal_measure.records.landmark_document import LandmarkDocument
from meniscal_measure.records.landmark_file import landmark_json, signed
from meniscal_measure.records.landmark_text import parse_landmark_text
from meniscal_measure.records.signatures import check_seals
from meniscal_measure.report import words
from meniscal_measure.series import pixels
from meniscal_measure.series.model import Stack
from meniscal_measure.workflow import KneeReading

SAMPLES = ("normal", "exactly-3mm", "root-tear", "rectangular-oblique")
CALIPER_ERROR_MM = 1e-6
"""Allowed error of a reading whose landmarks are exact: they are written with float precision."""


def codes(reading: KneeReading) -> set[Code]:
    return {found.code for found in reading.warnings}


def truth_of(sample: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((sample / "truth.json").read_text())
    return loaded


@pytest.mark.usefixtures("without_pictures")
def test_three_lines_lead_from_a_folder_to_a_saved_reading(samples: Path, tmp_path: Path) -> None:
    study = meniscal_measure.read(samples / "root-tear")
    knee = meniscal_measure.measure(study, landmarks=samples / "root-tear" / "landmarks.json")
    knee.save(tmp_path)

    assert {"reading.json", "readings.csv", "figure.png", "figure.svg", "report.pdf"} <= {
        path.name for path in tmp_path.iterdir()
    }
    assert not knee.reading.verified
    assert knee.reading.conventions.slice is SliceConvention.MEDIAL_SPINE_APEX


@pytest.mark.parametrize("name", SAMPLES)
def test_the_known_extrusion_of_each_sample_is_found(samples: Path, name: str) -> None:
    knee = meniscal_measure.measure(samples / name, landmarks=samples / name / "landmarks.json")
    truth = truth_of(samples / name)
    (at_slice,) = (
        item
        for item in truth["series"][0]["slices"]
        if item["sop_instance_uid"] == knee.reading.source.sop_instance_uid
    )
    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        measured = knee.reading.measured.compartments[compartment].extrusion.extrusion_mm
        assert measured == pytest.approx(
            at_slice[str(compartment)]["extrusion_mm"], abs=CALIPER_ERROR_MM
        )


@pytest.mark.parametrize("name", SAMPLES)
def test_the_measured_distance_agrees_with_simpleitk(samples: Path, name: str) -> None:
    """Outside check: SimpleITK (ITK's GDCM reader and geometry) on the same DICOM files."""
    folder = samples / name
    knee = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    reader = sitk.ImageSeriesReader()
    files = reader.GetGDCMSeriesFileNames(
        str(folder / "series-1"), knee.reading.source.series_instance_uid
    )
    reader.SetFileNames(files)
    image = reader.Execute()
    uids = [str(pydicom.dcmread(file, stop_before_pixels=True).SOPInstanceUID) for file in files]
    index = uids.index(knee.reading.source.sop_instance_uid)

    def physical(compartment: Compartment, landmark: str) -> np.ndarray[Any, Any]:
        pixels = knee.reading.measured.compartments[compartment].landmark_pixels
        (column, row) = next(value for key, value in pixels.items() if key == landmark)
        return np.array(image.TransformContinuousIndexToPhysicalPoint((column, row, index)))

    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        rim, edge = physical(compartment, "rim"), physical(compartment, "outer_edge")
        axis = rim - physical(compartment.opposite, "rim")
        expected = (edge - rim) @ axis / np.linalg.norm(axis)
        extrusion = knee.reading.measured.compartments[compartment].extrusion
        assert extrusion.extrusion_mm == pytest.approx(expected, abs=CALIPER_ERROR_MM)


@pytest.mark.parametrize(
    ("rule", "flagged"), [(ThresholdRule.ABOVE, False), (ThresholdRule.AT_OR_ABOVE, True)]
)
def test_exactly_three_millimetres_follows_the_named_rule(
    samples: Path, rule: ThresholdRule, flagged: bool
) -> None:
    knee = meniscal_measure.measure(
        samples / "exactly-3mm",
        landmarks=samples / "exactly-3mm" / "landmarks.json",
        conventions=Conventions(threshold_rule=rule),
    )
    assert knee.medial is not None
    assert knee.medial.extrusion.extrusion_mm == pytest.approx(3.0, abs=CALIPER_ERROR_MM)
    assert knee.medial.extrusion.flag is flagged
    assert knee.medial.extrusion.decision is Decision.UNDECIDED


def test_refined_edges_stay_near_the_truth_and_say_so(samples: Path) -> None:
    folder = samples / "root-tear"
    placed = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    refined = meniscal_measure.measure(
        folder, landmarks=folder / "landmarks.json", refine_edges=True
    )
    assert placed.medial is not None
    assert refined.medial is not None
    assert refined.medial.extrusion.extrusion_mm == pytest.approx(
        placed.medial.extrusion.extrusion_mm, abs=0.5
    )
    origins = {landmark.origin for landmark in refined.medial.landmarks.values()}
    assert Origin.REFINED in origins or codes(refined) & {Code.EDGE_NOT_FOUND}


@pytest.mark.usefixtures("without_pictures")
def test_without_landmarks_they_are_proposed_and_said_to_be(samples: Path, tmp_path: Path) -> None:
    knee = meniscal_measure.measure(samples / "normal")
    knee.save(tmp_path)

    assert not knee.reading.verified
    assert knee.reading.proposal_confidence is not None
    assert knee.medial is not None
    assert {mark.origin for mark in knee.medial.landmarks.values()} == {Origin.PROPOSED}
    slices = truth_of(samples / "normal")["series"][0]["slices"]
    true_mm = slices[knee.reading.measured.slice_index]["medial"]["extrusion_mm"]
    low_mm, high_mm = knee.medial.extrusion.interval95_mm
    assert low_mm < true_mm < high_mm
    assert "PROPOSED, NOT VERIFIED" in words.status_words(knee.reading)


def test_any_single_proposed_landmark_can_be_placed_by_hand(samples: Path) -> None:
    proposed = meniscal_measure.measure(samples / "normal")
    assert proposed.medial is not None
    column, row = proposed.medial.landmark_pixels[Landmark.RIM]
    moved = meniscal_measure.measure(samples / "normal", place={"medial_rim": (column - 2, row)})
    assert moved.medial is not None
    assert moved.medial.landmarks[Landmark.RIM].origin is Origin.READER
    assert moved.medial.landmarks[Landmark.OUTER_EDGE].origin is Origin.PROPOSED
    assert moved.medial.landmark_pixels[Landmark.RIM] == pytest.approx((column - 2, row))
    assert moved.medial.extrusion.extrusion_mm != proposed.medial.extrusion.extrusion_mm


def test_a_landmark_of_an_unknown_name_cannot_be_placed(samples: Path) -> None:
    with pytest.raises(UsageError, match="There is no landmark 'medial_corner'"):
        meniscal_measure.measure(
            samples / "normal",
            landmarks=samples / "normal" / "landmarks.json",
            place={"medial_corner": (1, 2)},
        )


def test_on_noise_nothing_is_proposed(samples: Path, tmp_path: Path) -> None:
    study = Path(shutil.copytree(samples / "normal", tmp_path / "study"))
    rng = np.random.default_rng(3)
    (stack,) = meniscal_measure.read(study).stacks
    for index, frame in enumerate(stack.frames):
        path = frame.file.path
        if abs(index - len(stack.frames) // 2) > 1:
            path.unlink()
            continue
        dataset = pydicom.dcmread(path)
        noise = rng.integers(0, 800, (dataset.Rows, dataset.Columns), dtype=np.uint16)
        dataset.set_pixel_data(noise, "MONOCHROME2", dataset.BitsStored)
        dataset.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
        dataset.save_as(path)
    with pytest.raises(NothingMeasurableError, match=r"No landmarks are proposed.*--landmarks"):
        meniscal_measure.measure(study)


@pytest.mark.parametrize("other", ["StudyInstanceUID", "PatientID"])
def test_images_of_several_examinations_are_warned_of(
    samples: Path, tmp_path: Path, other: str
) -> None:
    # The same knee imaged twice; the landmark file names its slice by index, and so no image.
    shutil.copytree(samples / "normal", tmp_path / "first")
    for image in sorted((samples / "normal").rglob("*.dcm")):
        dataset = pydicom.dcmread(image)
        for keyword in (other, "SeriesInstanceUID", "SOPInstanceUID"):
            setattr(dataset, keyword, f"{dataset[keyword].value}1")
        (tmp_path / "second").mkdir(exist_ok=True)
        dataset.save_as(tmp_path / "second" / image.name)
    document = json.loads((samples / "normal" / "landmarks.json").read_text())
    truth = json.loads((samples / "normal" / "truth.json").read_text())
    placed = document["slices"][0] | {"slice": truth["series"][0]["measured_slice"]}
    (tmp_path / "landmarks.json").write_text(json.dumps(placed))
    knee = meniscal_measure.measure(tmp_path, landmarks=tmp_path / "landmarks.json")
    assert Code.SEVERAL_EXAMINATIONS in codes(knee)
    one = meniscal_measure.measure(tmp_path, landmarks=tmp_path / "landmarks.json", series=1)
    assert Code.SEVERAL_EXAMINATIONS not in codes(one)


def sign(landmarks: Path, folder: Path, axis: AxisConvention) -> tuple[Path, Signature]:
    document = parse_landmark_text(landmarks.read_text())
    signature = Signature("A", "2026-03-01T08:30:00.000+00:00", axis)
    path = folder / "signed.json"
    path.write_text(landmark_json(signed(document, signature)))
    return path, signature


def signed_as(reading: Reading) -> Signature | None:
    """The last signature but for its seal; None while there is none."""
    check_seals(reading)
    return replace(reading.signatures[-1], seal="") if reading.verified else None


def test_signed_landmarks_give_a_verified_reading_until_one_is_moved(
    samples: Path, tmp_path: Path
) -> None:
    study = samples / "normal"
    path, signature = sign(study / "landmarks.json", tmp_path, AxisConvention.RIM_TO_RIM)
    knee = meniscal_measure.measure(study, landmarks=path)
    assert signed_as(knee.reading) == signature
    moved = meniscal_measure.measure(study, landmarks=path, place={"medial_rim": (175.0, 124.0)})
    assert signed_as(moved.reading) is None
    refined = meniscal_measure.measure(study, landmarks=path, refine_edges=True)
    assert signed_as(refined.reading) is None


def test_along_another_axis_than_the_signed_one_a_reading_is_not_verified(
    samples: Path, tmp_path: Path
) -> None:
    study = samples / "rectangular-oblique"
    vertical = Conventions(axis=AxisConvention.IMAGE_VERTICAL)
    path, signature = sign(study / "landmarks.json", tmp_path, vertical.axis)
    other = meniscal_measure.measure(study, landmarks=path)
    assert signed_as(other.reading) is None
    assert Code.SIGNED_ALONG_ANOTHER_AXIS in codes(other)
    same = meniscal_measure.measure(study, landmarks=path, conventions=vertical)
    assert signed_as(same.reading) == signature
    assert Code.SIGNED_ALONG_ANOTHER_AXIS not in codes(same)


def test_a_missing_path_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="nowhere"):
        meniscal_measure.read(tmp_path / "nowhere")


def without_laterality(source: Path, target: Path, description: str = "") -> Path:
    shutil.copytree(source, target)
    for path in target.rglob("*"):
        if not path.is_file() or not pydicom.misc.is_dicom(path):
            continue
        dataset = pydicom.dcmread(path)
        for keyword in ("Laterality", "ImageLaterality"):
            if keyword in dataset:
                delattr(dataset, keyword)
        dataset.SeriesDescription = description
        dataset.save_as(path)
    return target


def test_an_unknown_side_stays_unknown_and_is_said(samples: Path, tmp_path: Path) -> None:
    study = without_laterality(samples / "normal", tmp_path / "study")
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    assert knee.reading.source.side is None
    assert Code.SIDE_UNKNOWN in codes(knee)


@pytest.mark.usefixtures("without_pictures")
def test_while_the_side_is_unknown_proposals_go_by_image_side(
    samples: Path, tmp_path: Path
) -> None:
    study = without_laterality(samples / "normal", tmp_path / "study")
    knee = meniscal_measure.measure(study)
    knee.save(tmp_path / "out")
    assert set(knee.reading.measured.compartments) == {
        Compartment.IMAGE_LEFT,
        Compartment.IMAGE_RIGHT,
    }
    assert knee.medial is None
    record = json.loads((tmp_path / "out" / "reading.json").read_text())
    assert {"image_left", "image_right"} < set(record)


def test_a_side_in_free_text_is_offered_and_not_used(samples: Path, tmp_path: Path) -> None:
    study = without_laterality(samples / "normal", tmp_path / "study", "COR PD FS RIGHT KNEE")
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    assert knee.reading.source.side is None
    assert Code.SIDE_HINTED in codes(knee)


def test_a_stated_side_against_the_text_of_the_images_is_warned_of(
    samples: Path, tmp_path: Path
) -> None:
    coded = meniscal_measure.read(samples / "normal").stacks[0].laterality.side
    assert coded is not None
    other = Side.LEFT if coded is Side.RIGHT else Side.RIGHT
    study = without_laterality(samples / "normal", tmp_path / "study", f"{other.word} KNEE")
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json", side=coded)
    assert knee.reading.source.side is coded
    assert Code.SIDE_AGAINST_TEXT in codes(knee)


def test_a_reading_says_that_files_of_the_study_could_not_be_used(
    samples: Path, tmp_path: Path
) -> None:
    study = shutil.copytree(samples / "normal", tmp_path / "Miller Anna")
    end = max(
        study.rglob("*.dcm"), key=lambda file: float(pydicom.dcmread(file).ImagePositionPatient[1])
    )
    dataset = pydicom.dcmread(end)
    del dataset.PixelSpacing
    dataset.save_as(end)
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    (warning,) = [one for one in knee.warnings if one.severity is Severity.WARNING]
    assert warning == Finding(Code.FILES_REFUSED, {"count": 1})


def test_a_side_that_contradicts_the_images_is_refused(samples: Path) -> None:
    folder = samples / "normal"
    knee = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    coded = knee.reading.source.side
    other = Side.LEFT if coded is Side.RIGHT else Side.RIGHT
    with pytest.raises(SideError, match="Give the other side"):
        meniscal_measure.measure(folder, landmarks=folder / "landmarks.json", side=other)


@pytest.mark.parametrize("series", ["cor-pd-fs", "cor-t1"])
def test_a_real_study_is_measured_from_its_folder_alone(
    real_study: Path, real_landmarks: Callable[[str], Path], series: str
) -> None:
    knee = meniscal_measure.measure(real_study, landmarks=real_landmarks(series))

    assert knee.reading.source.side is Side.RIGHT
    assert knee.reading.measured.plateau_width_mm is not None
    # About 71 mm wide by construction of its nominal spacing.
    assert knee.reading.measured.plateau_width_mm.value == pytest.approx(71.0, abs=3.0)
    assert len(knee.reading.neighbours) == 4


def test_a_real_study_is_drawn(
    real_study: Path, real_landmarks: Callable[[str], Path], tmp_path: Path
) -> None:
    meniscal_measure.measure(real_study, landmarks=real_landmarks("cor-pd-fs")).save(tmp_path)
    assert (tmp_path / "report.pdf").stat().st_size > 10_000


def test_the_public_names_are_those_listed() -> None:
    for name in meniscal_measure.__all__:
        assert getattr(meniscal_measure, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        _ = meniscal_measure.guess


def without_slices_before(study: Path, index: int, folder: Path) -> Path:
    """A copy of a sample in which one image is damaged, so that later ones move up."""
    damaged = Path(shutil.copytree(study, folder))
    (images,) = meniscal_measure.read(damaged).stacks
    images.frames[index].file.path.write_bytes(b"")
    return damaged


def test_slices_named_by_index_are_refused_while_a_file_of_the_study_is(
    samples: Path, tmp_path: Path
) -> None:
    """With the first image damaged, an index would name the next slice and measure it."""
    study = without_slices_before(samples / "normal", 0, tmp_path / "study")
    document = json.loads((study / "landmarks.json").read_text())
    by_index = document["slices"][0] | {"slice": document["slices"][0]["slice"]["index"]}
    (study / "by-index.json").write_text(json.dumps(by_index))
    with pytest.raises(LandmarkError, match=r"by-index\.json: slice \d+ is named by its index"):
        meniscal_measure.measure(study, landmarks=study / "by-index.json")
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    uid = document["slices"][0]["slice"]["sop_instance_uid"]
    assert knee.reading.measured.sop_instance_uid == uid


def test_a_neighbour_that_is_still_proposed_gives_no_slope_to_a_landmark_placed_by_hand(
    samples: Path,
) -> None:
    proposed = meniscal_measure.measure(samples / "normal")
    assert proposed.medial is not None
    assert proposed.reading.neighbours
    column, row = proposed.medial.landmark_pixels[Landmark.RIM]
    placed = meniscal_measure.measure(samples / "normal", place={"medial_rim": (column - 2, row)})
    assert placed.reading.neighbours == ()
    assert Code.NO_NEIGHBOUR in codes(placed)
    banner = words.status_words(placed.reading)
    assert "medial rim placed by hand" in banner
    assert f"confidence {proposed.reading.proposal_confidence:.2f} before that" in banner


@pytest.mark.usefixtures("without_pictures")
def test_each_slice_is_decoded_once_from_proposal_to_figures(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decoded: list[int] = []
    read = pixels.read_pixels

    def counted(stack: Stack, indices: Sequence[int] | None = None) -> Any:
        decoded.extend(range(len(stack.frames)) if indices is None else indices)
        return read(stack, indices)

    monkeypatch.setattr(pixels, "read_pixels", counted)
    knee = meniscal_measure.measure(samples / "normal", refine_edges=True)
    knee.save(tmp_path)
    assert sorted(decoded) == list(range(len(knee.stack.frames)))


def test_a_landmark_file_is_parsed_once(samples: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parsed: list[str] = []

    def counted(text: str) -> LandmarkDocument:
        parsed.append(text)
        return parse_landmark_text(text)

    monkeypatch.setattr(landmark_file, "parse_landmark_text", counted)
    study = samples / "normal"
    meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    assert len(parsed) == 1


@pytest.mark.parametrize(("sd_mm", "assumed"), [(None, True), (0.3, False)])
def test_a_placement_that_nobody_stated_is_said_to_be_assumed_and_why(
    samples: Path, tmp_path: Path, sd_mm: float | None, assumed: bool
) -> None:
    study = samples / "normal"
    document = json.loads((study / "landmarks.json").read_text())
    if sd_mm is not None:
        document["sd_mm"] = sd_mm
    (tmp_path / "landmarks.json").write_text(json.dumps(document))
    knee = meniscal_measure.measure(study, landmarks=tmp_path / "landmarks.json")
    assert (Code.ASSUMED_PLACEMENT_SD in codes(knee)) is assumed
    said = " ".join(str(found) for found in knee.warnings)
    assert ("Bruns 2014" in said) is assumed


@pytest.mark.parametrize("name", ["medial_free_edge", "lateral_rim"])
def test_the_placement_of_a_single_landmark_that_nobody_stated_is_said_to_be_assumed(
    samples: Path, tmp_path: Path, name: str
) -> None:
    study = samples / "normal"
    document = json.loads((study / "landmarks.json").read_text())
    measured = document["slices"][0]
    measured["sd_mm"] = {key: 0.3 for key in measured if key not in ("slice", name)}
    (tmp_path / "landmarks.json").write_text(json.dumps(document))
    knee = meniscal_measure.measure(study, landmarks=tmp_path / "landmarks.json")
    assert Code.ASSUMED_PLACEMENT_SD in codes(knee)


def test_an_implausibly_large_extrusion_is_warned_of(samples: Path, tmp_path: Path) -> None:
    study = samples / "normal"
    document = json.loads((study / "landmarks.json").read_text())
    placed = document["slices"][0]
    outward_px = 30 if placed["medial_rim"][0] > placed["lateral_rim"][0] else -30
    placed["medial_outer_edge"][0] = placed["medial_rim"][0] + outward_px
    (tmp_path / "landmarks.json").write_text(json.dumps({"slices": [placed]}))
    knee = meniscal_measure.measure(study, landmarks=tmp_path / "landmarks.json")
    assert knee.medial is not None
    assert 9.0 < knee.medial.extrusion.extrusion_mm < 25.0
    assert Code.UNUSUALLY_FAR_OUT in codes(knee)

"""Written studies: complete, in one frame of reference, and true to the billionth."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest

import meniscal_measure
from meniscal_measure.anatomy import Compartment, Plane, Side
from meniscal_measure.errors import OutputError, RecipeError
from meniscal_measure.workshop.knees.recipe import parse_recipe
from meniscal_measure.workshop.knees.study import (
    measured_grid,
    study_knee,
    wanted_extrusion,
    write_study,
)
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue
from meniscal_measure.workshop.knees.truth_file import StudyTruth

EXACT_MM = 1e-8


def headers(folder: Path) -> list[pydicom.Dataset]:
    return [pydicom.dcmread(path) for path in sorted(folder.rglob("*.dcm"))]


@pytest.fixture(scope="module")
def written(
    make_document: Callable[[], dict[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, StudyTruth]:
    folder = tmp_path_factory.mktemp("study")
    return folder, write_study(parse_recipe(make_document()), folder)


def test_a_study_is_complete_and_shares_one_frame_of_reference(
    written: tuple[Path, StudyTruth],
) -> None:
    folder, truth = written
    found = headers(folder)
    assert len(found) == 3 + 2
    assert len({item.StudyInstanceUID for item in found}) == 1
    assert len({item.FrameOfReferenceUID for item in found}) == 1
    assert len({item.SeriesInstanceUID for item in found}) == 2
    assert len({item.SOPInstanceUID for item in found}) == 5
    assert {item.Laterality for item in found} == {"L"}
    assert {item.SeriesDescription for item in found} == {"COR PD TSE FS", "SAG T1 TSE"}
    assert truth.side is Side.LEFT


def test_the_files_of_a_study_agree_with_one_another(written: tuple[Path, StudyTruth]) -> None:
    """Patient, study and series attributes are the same in all files: dcentvfy of dicom3tools."""
    files = sorted(written[0].rglob("*.dcm"))
    checker = Path(sys.executable).with_name("dcentvfy")
    done = subprocess.run(
        [checker, *files], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_the_written_study_measures_what_its_truth_says(
    written: tuple[Path, StudyTruth],
) -> None:
    """Scan, choice, side and caliper on the written files, from the exact landmarks."""
    folder, truth = written
    study = meniscal_measure.read(folder)
    assert {stack.plane for stack in study.stacks} == {Plane.CORONAL, Plane.SAGITTAL}
    knee = meniscal_measure.measure(study, landmarks=folder / "landmarks.json")
    assert knee.reading.source.side is Side.LEFT
    assert knee.reading.measured.slice_index == 1
    assert truth.measured is not None
    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        measured_mm = knee.reading.measured.compartments[compartment].extrusion.extrusion_mm
        assert measured_mm == pytest.approx(truth.measured.extrusion_mm[compartment], abs=EXACT_MM)
    assert truth.measured.extrusion_mm[Compartment.MEDIAL] == pytest.approx(3.4, abs=EXACT_MM)


def test_every_slice_of_the_truth_agrees_with_the_caliper(
    written: tuple[Path, StudyTruth],
) -> None:
    folder, truth = written
    knee = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    assert truth.coronal is not None
    assert len(knee.reading.neighbours) == sum(item.measurable for item in truth.coronal.slices) - 1
    for item in knee.reading.neighbours:
        known = truth.coronal.slices[item.slice_index].extrusion_mm
        for compartment, found in item.compartments.items():
            assert found.extrusion.extrusion_mm == pytest.approx(known[compartment], abs=EXACT_MM)


def test_the_truth_file_gives_each_point_in_the_patient_and_in_pixels(
    written: tuple[Path, StudyTruth],
) -> None:
    folder, truth = written
    document = json.loads((folder / "truth.json").read_text())
    assert document["side"] == "left"
    assert "no measurement of a person" in document["notice"]
    coronal, sagittal = document["series"]
    assert coronal["measured_slice"] == 1
    assert sagittal["measured_slice"] is None
    by_uid = {item.SOPInstanceUID: item for item in headers(folder)}
    assert truth.coronal is not None
    for item, known in zip(coronal["slices"], truth.coronal.slices, strict=True):
        header = by_uid[item["sop_instance_uid"]]
        np.testing.assert_allclose(
            [float(value) for value in header.ImagePositionPatient], item["position_mm"], atol=1e-9
        )
        for point in item["medial"]["landmarks"].values():
            mapped = known.grid.to_patient(point["pixel"])
            np.testing.assert_allclose(mapped, point["patient_mm"], atol=1e-9)


def test_the_measured_slice_passes_through_the_apex_of_the_medial_spine(
    written: tuple[Path, StudyTruth], document: dict[str, Any]
) -> None:
    _, truth = written
    apex = SyntheticKnee(parse_recipe(document).knee).mid_coronal.medial_spine_apex
    assert truth.measured is not None
    assert float(truth.measured.grid.off_plane_mm(apex)) == pytest.approx(0.0, abs=1e-9)


def test_an_enhanced_study_measures_the_same(document: dict[str, Any], tmp_path: Path) -> None:
    document["files"] = {"form": "enhanced", "encoding": "jpeg_ls"}
    truth = write_study(parse_recipe(document), tmp_path)
    assert len(headers(tmp_path)) == 2
    knee = meniscal_measure.measure(tmp_path, landmarks=tmp_path / "landmarks.json")
    assert knee.medial is not None
    assert truth.measured is not None
    expected = truth.measured.extrusion_mm[Compartment.MEDIAL]
    assert knee.medial.extrusion.extrusion_mm == pytest.approx(expected, abs=EXACT_MM)


def test_a_recipe_writes_the_same_bytes_again(
    written: tuple[Path, StudyTruth], document: dict[str, Any], tmp_path: Path
) -> None:
    folder, _ = written
    first = {path.name: path.read_bytes() for path in folder.rglob("*.*") if path.is_file()}
    again = tmp_path / "again"
    write_study(parse_recipe(document), again)
    assert {path.name: path.read_bytes() for path in again.rglob("*.*")} == first


def test_label_maps_are_written_where_asked_for(document: dict[str, Any], tmp_path: Path) -> None:
    document["files"] = {"labels": True}
    write_study(parse_recipe(document), tmp_path)
    labels = np.load(tmp_path / "series-1-labels.npy")
    assert labels.shape == (3, 96, 80)
    assert {Tissue.MARROW, Tissue.MEDIAL_MENISCUS, Tissue.AIR} <= set(np.unique(labels))


def test_an_isotropic_block_of_slices_is_read_as_one_stack(
    document: dict[str, Any], tmp_path: Path
) -> None:
    block = document["series"][0] | {"protocol": "pd_3d", "slices": 12, "thickness_mm": 1.25}
    document["series"] = [block | {"spacing_mm": 1.25, "column_spacing_mm": 1.25}]
    write_study(parse_recipe(document), tmp_path)
    (stack,) = meniscal_measure.read(tmp_path).stacks
    assert stack.spacing_mm == pytest.approx(1.25)
    assert {item.MRAcquisitionType for item in headers(tmp_path)} == {"3D"}


def test_progress_is_reported_over_all_series(document: dict[str, Any], tmp_path: Path) -> None:
    reported: list[tuple[int, int]] = []
    write_study(
        parse_recipe(document),
        tmp_path,
        progress=lambda done, total: reported.append((done, total)),
    )
    assert reported == [(done, 5) for done in range(1, 6)]


def test_without_a_coronal_series_there_is_no_landmark_file(
    document: dict[str, Any], tmp_path: Path
) -> None:
    document["series"] = document["series"][1:]
    del document["extrusion"]
    truth = write_study(parse_recipe(document), tmp_path)
    assert truth.measured is None
    assert not (tmp_path / "landmarks.json").exists()


def test_slices_too_small_to_show_the_menisci_get_no_landmarks(
    document: dict[str, Any], tmp_path: Path
) -> None:
    """Landmarks off the image are in the truth; a landmark file with them would be refused."""
    document["series"] = [document["series"][0] | {"column_spacing_mm": 0.7}]
    truth = write_study(parse_recipe(document), tmp_path)
    assert truth.measured is not None
    assert truth.measured.measurable
    assert not truth.measured.shown
    assert not (tmp_path / "landmarks.json").exists()


def test_extrusion_without_a_coronal_series_is_refused(
    document: dict[str, Any], tmp_path: Path
) -> None:
    document["series"] = document["series"][1:]
    with pytest.raises(RecipeError, match=r"no \[\[series\]\] has plane coronal"):
        write_study(parse_recipe(document), tmp_path)


def test_a_folder_that_holds_a_study_is_refused(
    written: tuple[Path, StudyTruth], document: dict[str, Any]
) -> None:
    with pytest.raises(OutputError, match="holds a study already"):
        write_study(parse_recipe(document), written[0])


def test_a_folder_that_cannot_be_written_is_refused(
    document: dict[str, Any], tmp_path: Path
) -> None:
    """Before the long work of imaging begins, and also where a file is in the way higher up."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    reported: list[int] = []
    for folder in (blocked, blocked / "study"):
        with pytest.raises(OutputError, match=r"Cannot make .*file.* a folder you may write to"):
            write_study(
                parse_recipe(document), folder, progress=lambda done, _: reported.append(done)
            )
    assert not reported


@pytest.mark.parametrize("asked_mm", [12.0, -8.0])
def test_an_extrusion_out_of_reach_is_refused_with_the_possible_range(
    document: dict[str, Any], tmp_path: Path, asked_mm: float
) -> None:
    document["extrusion"] = {"medial_mm": asked_mm}
    message = (
        rf"extrusion.medial_mm is {asked_mm:g}: This slice cannot have a medial extrusion .*"
        r" the range is about (-?\d+\.\d) to (\d+\.\d) mm"
    )
    with pytest.raises(RecipeError, match=message) as caught:
        write_study(parse_recipe(document), tmp_path)
    found = re.search(message, str(caught.value))
    assert found is not None
    for offered_mm in map(float, found.groups()):
        near_mm = 0.99 * offered_mm  # the bounds are printed to a tenth
        document["extrusion"] = {"medial_mm": near_mm}
        recipe = parse_recipe(document)
        moved = study_knee(recipe, wanted_extrusion(recipe.extrusion))
        extrusion_mm = SyntheticKnee(moved).extrusion_on(
            measured_grid(recipe.imaging.series[0], SyntheticKnee(moved))
        )
        assert extrusion_mm[Compartment.MEDIAL] == pytest.approx(near_mm, abs=EXACT_MM)

"""A leg of known angles goes through files, answers and case: its angles come back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from meniscal_measure import workflow
from meniscal_measure.anatomy import Side
from meniscal_measure.errors import LandmarkError
from meniscal_measure.knee.answers import Answers, Topic, answers_from
from meniscal_measure.knee.limb import LimbMeasure
from meniscal_measure.knee.pairing import KneeIdentity
from meniscal_measure.knee.questions import Available, CaseQuestioning, OpenQuestion
from meniscal_measure.report.save_case import save_case
from meniscal_measure.series.model import Study
from meniscal_measure.series.scan import open_study
from meniscal_measure.workflow.case import make_case
from meniscal_measure.workflow.case_radiographs import (
    CaseLimb,
    CaseRadiographs,
    case_radiographs,
    measured_limb,
)
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax, store
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from tests.conftest import REPOSITORY
from tests.knee.projected_leg import (
    LegShape,
    ProjectedLeg,
    XraySetup,
    projected_leg,
)
from tests.knee.written_radiograph import StatedSize, cr_dataset, dx_dataset

TORN = REPOSITORY / "sample_phantoms" / "root-tear"
PATIENT = "PHANTOM-LEG"
SETUP = XraySetup(magnification=1.15, pixel_mm=2.0)
BOWED = LegShape(Side.LEFT, 90.0, 85.0, 2.0)
BALL = ("ball_edge_a", "ball_edge_b")


def written(
    folder: Path, leg: ProjectedLeg, make: Any = dx_dataset, size: StatedSize = StatedSize.DETECTOR,
    number: int = 1,
) -> str:  # fmt: skip
    """Write a radiograph; returns its SOP Instance UID."""
    study = study_identity("leg", 1, leg.shape.side)
    identity = SeriesIdentity(study, uid_for("leg series", number), 9, "LONG LEG")
    dataset = make(leg, identity, size)
    dataset.InstanceNumber = number
    store(dataset, folder / f"{number}.dcm", TransferSyntax.UNCOMPRESSED)
    return str(dataset.SOPInstanceUID)


def answered(
    marks: Mapping[str, tuple[float, float]], image: str = "", **radiograph: float
) -> Answers:
    landmarks = [{"name": n, "slice": image, "pixel": list(at)} for n, at in marks.items()]
    return answers_from({"radiograph": radiograph, "landmark": landmarks}, "answers.toml")


def without_ball(leg: ProjectedLeg) -> dict[str, tuple[float, float]]:
    return {name: at for name, at in leg.landmarks_px.items() if name not in BALL}


def found_in(
    folder: Path, side: Side = Side.LEFT, patient: str = PATIENT, born: str = ""
) -> CaseRadiographs:
    knee = KneeIdentity(side, patient, "1.2", "", birth_date=born)
    return case_radiographs([open_study(folder)], knee)


def limb(
    folder: Path, answers: Answers, side: Side = Side.LEFT, patient: str = PATIENT
) -> CaseLimb:
    return measured_limb(found_in(folder, side, patient).images, answers, side)


def questions(folder: Path, answers: Answers) -> tuple[OpenQuestion, ...]:
    """Ask about the leg on the radiographs of a folder."""
    images = found_in(folder).images
    available = Available((), radiograph=images[0].where if images else None, wanted=(Topic.LEG,))
    asked = CaseQuestioning(answers, available).open()
    return tuple(one for one in asked if one.key.startswith("landmark."))


def values(found: CaseLimb) -> dict[str, float]:
    return {q.name: q.value for part in found.parts for q in part.quantities}


@pytest.fixture(scope="module")
def leg() -> ProjectedLeg:
    return projected_leg(BOWED, SETUP)


@given(
    femoral=st.floats(80, 95), tibial=st.floats(80, 95), convergence=st.floats(-4, 4),
    side=st.sampled_from(Side), magnification=st.floats(1.0, 1.3),
)  # fmt: skip
def test_the_leg_is_projected_as_its_angles_say(
    femoral: float, tibial: float, convergence: float, side: Side, magnification: float
) -> None:
    """The writer's own truth: the angles add up, whichever leg it is."""
    shape = LegShape(side, femoral, tibial, convergence)
    places = shape.places_mm
    assert (places["tibial_line_medial"][0] > places["tibial_line_lateral"][0]) == (
        side is Side.RIGHT
    )
    assert shape.varus_deg == pytest.approx(femoral - tibial + convergence)


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("make", [cr_dataset, dx_dataset])
def test_angles_and_calibrated_deviation_come_back(make: Any, side: Side, tmp_path: Path) -> None:
    leg = projected_leg(replace(BOWED, side=side), SETUP)
    written(tmp_path, leg, make, StatedSize.FIDUCIAL)
    found = limb(tmp_path, answered(without_ball(leg)), side)
    assert values(found) == pytest.approx(
        {
            LimbMeasure.HIP_KNEE_ANKLE: 180.0 - BOWED.varus_deg,
            LimbMeasure.VARUS: BOWED.varus_deg,
            LimbMeasure.LATERAL_DISTAL_FEMORAL: 90.0,
            LimbMeasure.MEDIAL_PROXIMAL_TIBIAL: 85.0,
            LimbMeasure.JOINT_LINE_CONVERGENCE: 2.0,
            LimbMeasure.AXIS_DEVIATION: leg.shape.axis_deviation_mm,
        },
        rel=1e-5,
    )
    assert found.varus is not None
    assert str(found.varus.where[0]) == "radiograph, image 1"


def test_at_the_detector_no_length_is_given(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    found = limb(tmp_path, answered(without_ball(leg)))
    assert LimbMeasure.AXIS_DEVIATION not in values(found)
    assert "MAGNIFICATION UNKNOWN" in found.parts[0].gaps[0]
    assert "MAGNIFICATION UNKNOWN" in found.pictures[0].caption


@pytest.mark.parametrize("size", [StatedSize.FACTOR, StatedSize.GEOMETRY, StatedSize.FIDUCIAL])
def test_every_calibration_of_the_standard_gives_the_length(
    size: StatedSize, leg: ProjectedLeg, tmp_path: Path
) -> None:
    written(tmp_path, leg, dx_dataset, size)
    found = values(limb(tmp_path, answered(without_ball(leg))))
    assert found[LimbMeasure.AXIS_DEVIATION] == pytest.approx(BOWED.axis_deviation_mm, rel=1e-4)


def test_a_ball_calibrates_the_length(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    answers = answered(leg.landmarks_px, ball_diameter_mm=SETUP.ball_mm)
    found = values(limb(tmp_path, answers))
    assert found[LimbMeasure.AXIS_DEVIATION] == pytest.approx(BOWED.axis_deviation_mm, rel=1e-6)


def test_a_ball_without_its_size_is_a_gap(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    (part,) = limb(tmp_path, answered(leg.landmarks_px)).parts
    assert part.quantities == ()
    assert "give ball_diameter_mm under [radiograph]" in part.gaps[0]


def test_a_radiograph_of_the_knee_gives_the_convergence(tmp_path: Path) -> None:
    knee = projected_leg(BOWED, replace(SETUP, long=False))
    written(tmp_path, knee)
    found = values(limb(tmp_path, answered(without_ball(knee))))
    assert found == pytest.approx({LimbMeasure.JOINT_LINE_CONVERGENCE: 2.0})


def test_landmarks_are_asked_for_only_where_there_is_a_radiograph(
    leg: ProjectedLeg, tmp_path: Path
) -> None:
    assert found_in(tmp_path).images == ()
    assert questions(tmp_path, Answers()) == ()
    uid = written(tmp_path, leg)
    marks = without_ball(leg)
    hip = {"hip_centre": marks.pop("hip_centre")}
    (question,) = questions(tmp_path, answered(marks))
    assert (question.key, question.plane) == ("landmark.hip_centre", None)
    assert question.where is not None
    assert question.where.sop_instance_uid == uid
    assert questions(tmp_path, answered(marks | hip)) == ()


def test_two_radiographs_each_have_their_landmarks(leg: ProjectedLeg, tmp_path: Path) -> None:
    knee = projected_leg(BOWED, replace(SETUP, long=False))
    long_uid, knee_uid = written(tmp_path, leg, number=1), written(tmp_path, knee, number=2)
    one, other = answered(without_ball(leg), long_uid), answered(without_ball(knee), knee_uid)
    both = replace_landmarks(one, other)
    assert len(limb(tmp_path, both).parts) == 2
    with pytest.raises(LandmarkError, match="none of the radiographs of this leg"):
        limb(tmp_path, answered(without_ball(leg), "instance:7"))
    with pytest.raises(LandmarkError, match="Give the SOP Instance UID"):
        limb(tmp_path, answered(without_ball(leg)))


def replace_landmarks(one: Answers, other: Answers) -> Answers:
    return Answers(radiograph=one.radiograph, landmark=(*one.landmark, *other.landmark))


@pytest.mark.parametrize(
    ("side", "patient", "said"),
    [
        (Side.RIGHT, PATIENT, "shows the left leg and the case is of the right one"),
        (Side.LEFT, "SOMEBODY", "it is of another patient"),
    ],
)
def test_a_radiograph_of_another_leg_or_patient_is_left_out(
    side: Side, patient: str, said: str, leg: ProjectedLeg, tmp_path: Path
) -> None:
    written(tmp_path, leg)
    found = found_in(tmp_path, side, patient)
    assert said in found.gaps[0]
    assert found.images == ()
    with pytest.raises(LandmarkError, match="there is no radiograph of this leg"):
        limb(tmp_path, answered(without_ball(leg)), side, patient)


def test_a_radiograph_of_somebody_born_on_another_day_is_left_out(
    leg: ProjectedLeg, tmp_path: Path
) -> None:
    identity = SeriesIdentity(study_identity("leg", 1, Side.LEFT), uid_for("leg"), 9, "LONG LEG")
    dataset = dx_dataset(leg, identity, StatedSize.DETECTOR)
    dataset.PatientBirthDate = "19700101"
    store(dataset, tmp_path / "1.dcm", TransferSyntax.UNCOMPRESSED)
    assert found_in(tmp_path, born="19700101").gaps == ()
    assert "of another patient" in found_in(tmp_path, born="19710101").gaps[0]


def test_free_text_that_names_the_other_side_is_said(leg: ProjectedLeg, tmp_path: Path) -> None:
    identity = SeriesIdentity(study_identity("leg", 1, Side.LEFT), uid_for("leg"), 9, "RIGHT LEG")
    dataset = dx_dataset(leg, identity, StatedSize.DETECTOR)
    store(dataset, tmp_path / "1.dcm", TransferSyntax.UNCOMPRESSED)
    found = found_in(tmp_path)
    assert "SeriesDescription names the right side" in found.gaps[0]
    assert len(found.images) == 1


def test_exchanged_medial_and_lateral_is_a_gap(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    marks = without_ball(leg)
    marks["tibial_line_medial"], marks["tibial_line_lateral"] = (
        marks["tibial_line_lateral"],
        marks["tibial_line_medial"],
    )
    (part,) = limb(tmp_path, answered(marks)).parts
    assert "lie as on a leg of the other side" in part.gaps[0]


def test_exchanged_hip_and_ankle_are_a_gap(leg: ProjectedLeg, tmp_path: Path) -> None:
    """The angles of both joint lines would be taken against the wrong bone."""
    written(tmp_path, leg)
    marks = without_ball(leg)
    marks["hip_centre"], marks["ankle_centre"] = marks["ankle_centre"], marks["hip_centre"]
    (part,) = limb(tmp_path, answered(marks, sd_px=0.3)).parts
    assert part.quantities == ()
    assert "hip and ankle, or the two lines, are exchanged" in part.gaps[0]


def test_a_landmark_placed_twice_on_one_radiograph_is_refused(
    leg: ProjectedLeg, tmp_path: Path
) -> None:
    written(tmp_path, leg)
    both = replace_landmarks(answered(without_ball(leg)), answered({"hip_centre": (50.0, 50.0)}))
    with pytest.raises(LandmarkError, match="hip_centre is placed twice on the radiograph"):
        limb(tmp_path, both)


def test_a_landmark_off_the_radiograph_is_refused(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    with pytest.raises(LandmarkError, match="lies off its radiograph"):
        limb(tmp_path, answered({"hip_centre": (9999.0, 3.0)}))


def test_millimetres_of_a_landmark_on_a_radiograph_are_refused(
    leg: ProjectedLeg, tmp_path: Path
) -> None:
    written(tmp_path, leg)
    landmark = {"name": "hip_centre", "slice": "", "pixel": [9, 9], "sd_mm": 0.5}
    with pytest.raises(LandmarkError, match="Give sd_px under"):
        limb(tmp_path, answers_from({"landmark": [landmark]}, "answers.toml"))


def test_the_picture_names_what_was_measured(leg: ProjectedLeg, tmp_path: Path) -> None:
    written(tmp_path, leg)
    (picture,) = limb(tmp_path, answered(without_ball(leg))).pictures
    said = " ".join(text.get_text() for text in picture.figure().texts)
    assert "hip-knee-ankle angle: 173.0" in said
    assert "MAGNIFICATION UNKNOWN" in said
    letters = [text.get_text() for axes in picture.figure().axes for text in axes.texts]
    assert {"L", "R"} <= set(letters)


@pytest.mark.parametrize("name", ["hip_centre", "tibial_line_medial"])
def test_one_landmark_alone_is_drawn(leg: ProjectedLeg, tmp_path: Path, name: str) -> None:
    written(tmp_path, leg, size=StatedSize.FIDUCIAL)
    (picture,) = limb(tmp_path, answered({name: leg.landmarks_px[name]})).pictures
    assert picture.part.quantities == ()
    widths = [abs(float(np.ptp(axes.get_xlim()))) for axes in picture.figure().axes]
    assert min(widths) > 10.0  # mm


def written_beside(study: Study, folder: Path, make: Any, size: StatedSize) -> ProjectedLeg:
    """Write a radiograph of the leg of a study's patient."""
    first = study.stacks[0]
    assert first.laterality.side is not None
    leg = projected_leg(replace(BOWED, side=first.laterality.side), SETUP)
    identity = study_identity("leg", 1, leg.shape.side)
    identity = replace(identity, patient_id=first.identity.patient_id)
    series = SeriesIdentity(identity, uid_for("leg series"), 9, "LONG LEG")
    store(make(leg, series, size), folder / "1.dcm", TransferSyntax.RLE)
    return leg


def test_the_sheet_shows_the_leg_and_asks_for_what_is_missing(tmp_path: Path) -> None:
    study = workflow.read(TORN)
    (tmp_path / "leg").mkdir()
    leg = written_beside(study, tmp_path / "leg", dx_dataset, StatedSize.FIDUCIAL)
    marks = without_ball(leg)
    del marks["ankle_centre"]
    made = make_case(
        study, answers=answered(marks), radiographs=tmp_path / "leg",
        landmarks=f"{TORN}/landmarks.json",
    )  # fmt: skip
    save_case(made.case, made.pictures, tmp_path / "out", radiographs=made.radiographs)
    said = " ".join(
        page.extract_text() for page in PdfReader(tmp_path / "out" / "case-sheet.pdf").pages
    )
    page = (tmp_path / "out" / "case-sheet.html").read_text(encoding="utf-8")
    for words in ("mechanical lateral distal femoral angle", "90.0 ± ", "Place ankle_centre for"):
        assert words in said
        assert words in page
    assert '<figure id="baseline-radiograph-1">' in page
    assert (tmp_path / "out" / "radiograph.png").exists()
    template = (tmp_path / "out" / "answers.toml").read_text(encoding="utf-8")
    assert (
        f'# name = "ankle_centre"\n# slice = "{made.radiographs[0].where.sop_instance_uid}"'
        in template
    )
    assert "#   ball: calibration ball on the radiograph (3)" in template
    assert "hip_centre" not in template


def test_the_measured_varus_is_a_fact_that_nobody_is_asked_for(tmp_path: Path) -> None:
    study = workflow.read(TORN)
    leg = written_beside(study, tmp_path, cr_dataset, StatedSize.DETECTOR)
    made = make_case(
        study, answers=answered(without_ball(leg)), radiographs=tmp_path,
        landmarks=f"{TORN}/landmarks.json",
    )  # fmt: skip
    (line,) = [line for line in made.case.candidate if line.fact == "varus_deg"]
    assert line.value.startswith("7")
    assert "facts.varus_deg" not in [question.key for question in made.case.questions]

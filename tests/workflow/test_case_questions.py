"""Each question names the slice to look on first, as far as positions can be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from meniscal_measure import workflow
from meniscal_measure.anatomy import Plane
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.knee.answers import Answers, answers_from
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.series.find_slice import find_slice
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.workflow.case_parts import RIMS
from meniscal_measure.workflow.case_questions import CaseQuestions, questioned, slice_words
from tests.conftest import REPOSITORY

TORN = REPOSITORY / "sample_phantoms" / "root-tear"
SPACING_MM = 3.3


def sagittal_beside(coronal: Stack) -> Stack:
    """Slices that cut the coronal ones at a right angle, in their frame of reference."""
    grid = coronal.frames[0].grid
    middle = np.asarray(grid.to_patient((grid.columns / 2, grid.rows / 2)))
    frames = []
    for number, frame in enumerate(coronal.frames):
        x = float(middle[0]) + SPACING_MM * (number - len(coronal.frames) // 2)
        place = PixelGrid((x, -80.0, 80.0), (0, 1, 0), (0, 0, -1), 0.6, 0.6, 256, 256)
        frames.append(replace(frame, grid=place, sop_instance_uid=f"2.25.7{number}"))
    return replace(coronal, plane=Plane.SAGITTAL, frames=tuple(frames),
                   identity=replace(coronal.identity, series_instance_uid="2.25.70"))  # fmt: skip


@pytest.fixture(scope="module")
def study() -> Study:
    found = workflow.read(TORN)
    return replace(found, stacks=(*found.stacks, sagittal_beside(found.stacks[0])))


@pytest.fixture(scope="module")
def questions(study: Study) -> CaseQuestions:
    return questioned(study, Answers(), landmarks=TORN / "landmarks.json")


def suggested(questions: CaseQuestions, answers: Answers) -> dict[str, TracedSlice]:
    asked = questions.asked(answers).open()
    return {q.key: q.where for q in asked if q.where is not None}


def test_coronal_questions_begin_on_the_measured_slice(questions: CaseQuestions) -> None:
    assert questions.knee is not None
    measured = questions.knee.reading.measured.slice_index
    coronal = questions.images.stacks[Plane.CORONAL]
    wanted = answers_from({"case": {"also": ["other_signs"]}}, "answers.toml")
    where = suggested(questions, wanted)["sign.giraffe_neck"]
    assert find_slice(coronal, where.sop_instance_uid) == measured


def test_the_apex_is_looked_for_between_the_rims(questions: CaseQuestions) -> None:
    assert questions.knee is not None
    found = questions.knee.reading.measured.compartments
    rims = [found[name].landmarks for name in RIMS]
    middle_x = np.mean([mark.point_mm[0] for rim in rims for name, mark in rim.items()
                        if name == "rim"])  # fmt: skip
    stack = questions.images.stacks[Plane.SAGITTAL]
    where = suggested(questions, Answers())["landmark.medial_eminence_apex"]
    grid = stack.frames[find_slice(stack, where.sop_instance_uid)].grid
    assert abs(grid.origin[0] - middle_x) <= SPACING_MM / 2 + 1e-6


def test_the_root_slice_follows_from_the_apex_by_the_published_distance(
    questions: CaseQuestions,
) -> None:
    """Johannsen 2012 puts the centre 0.7 mm lateral of the apex: on the same slice or the next."""
    stack = questions.images.stacks[Plane.SAGITTAL]
    apex = {"name": "medial_eminence_apex", "plane": "sagittal", "pixel": [130, 120],
            "slice": slice_words(stack, 6)}  # fmt: skip
    seen = {"ghost": {"seen": "uncertain"}}
    answers = answers_from({"landmark": [apex], "sign": seen}, "answers.toml")
    where = suggested(questions, answers)
    root = find_slice(stack, where["landmark.posterior_horn"].sop_instance_uid)
    assert abs(root - 6) <= 1
    assert where["sign.cleft"] == where["landmark.posterior_horn"]
    assert "landmark.medial_eminence_apex" not in where


def test_nothing_is_suggested_across_frames_of_reference(study: Study) -> None:
    coronal, sagittal = study.stacks
    identity = replace(sagittal.identity, frame_of_reference_uid="2.25.71")
    apart = replace(study, stacks=(coronal, replace(sagittal, identity=identity)))
    wanted = answers_from({"case": {"also": ["joint_space", "slope"]}}, "answers.toml")
    found = suggested(questioned(apart, wanted, landmarks=TORN / "landmarks.json"), wanted)
    assert {where.plane for where in found.values()} == {Plane.CORONAL}


def test_a_slice_is_named_as_the_answers_take_it(questions: CaseQuestions) -> None:
    stack = questions.images.stacks[Plane.CORONAL]
    unnumbered = replace(stack, frames=tuple(replace(f, instance_number=1) for f in stack.frames))
    for index in range(len(stack.frames)):
        assert find_slice(stack, slice_words(stack, index)) == index
        assert find_slice(unnumbered, slice_words(unnumbered, index)) == index

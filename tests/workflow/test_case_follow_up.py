"""Which series of two examinations the tibia is registered on, and what the case says of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.registration import COMMON_ERROR, ContrastMatch, Registration
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.workflow import case_follow_up
from meniscal_measure.workflow.case_follow_up import BETWEEN_SERIES, CaseFollowUp, followed
from meniscal_measure.workflow.knee_reading import KneeReading
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.knee.examined import examined
from tests.knee.imaged_tibia import Imaging, movement

KNEE = SyntheticKnee(KneeParameters())
MOVED = movement((3.0, -4.0, 6.0), (12.0, -7.0, 20.0))
LATER: dict[str, Any] = {"study_date": "20260709", "study_instance_uid": "2.25.2"}
WITHOUT_SUPPRESSION = Imaging(mirrored=True)


@dataclass(frozen=True)
class Decoded:
    """Pixels that lie in no file."""

    stack: Stack
    pixels: NDArray[np.float32]

    def read(self) -> NDArray[np.float32]:
        return self.pixels


def reading(examination: KneeExamination) -> KneeReading:
    pixels: Any = Decoded(examination.stack, examination.pixels)
    return KneeReading(examination.reading, pixels)


def error_mm(found: CaseFollowUp) -> float:
    (place,) = (q for q in found.part.quantities if q.name.startswith("distance of the follow-up"))
    assert place.u is not None
    return place.u


@pytest.fixture(scope="module")
def suppressed() -> KneeExamination:
    return examined(KNEE, Imaging())


@pytest.fixture(scope="module")
def later() -> KneeExamination:
    return examined(KNEE, WITHOUT_SUPPRESSION, MOVED, **LATER)


def stack_of(examination: KneeExamination, frame_of_reference: str) -> Stack:
    """Give its stack as another series of the baseline."""
    stack = examination.stack
    identity = replace(stack.identity, frame_of_reference_uid=frame_of_reference)
    frames = tuple(
        replace(frame, sop_instance_uid=f"2.25.8{index}")
        for index, frame in enumerate(stack.frames)
    )
    return replace(stack, identity=identity, frames=frames)


def study(*stacks: Stack) -> Study:
    return Study(Path("study"), stacks, (), ())


def test_the_tibia_is_registered_on_series_alike_in_fat_suppression(
    suppressed: KneeExamination, later: KneeExamination, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the baseline has such a series in the coordinates of the measured one."""
    plain = examined(KNEE, WITHOUT_SUPPRESSION)
    other = stack_of(plain, suppressed.stack.identity.frame_of_reference_uid)
    monkeypatch.setattr(case_follow_up, "StackPixels", lambda stack: Decoded(stack, plain.pixels))
    studies = [study(suppressed.stack, other), study(later.stack)]
    found = followed(reading(suppressed), reading(later), studies)
    assert "alike in fat suppression" in found.part.remarks[-1]
    assert BETWEEN_SERIES[0] < error_mm(found) < 0.7


def test_a_series_in_other_coordinates_takes_no_part_and_the_error_is_stated(
    suppressed: KneeExamination, later: KneeExamination, monkeypatch: pytest.MonkeyPatch
) -> None:
    register_on = []

    def known(first: KneeExamination, second: KneeExamination) -> Registration:
        register_on.append((first.stack, second.stack))
        return Registration(MOVED, *COMMON_ERROR[ContrastMatch.OTHER_FAT])

    monkeypatch.setattr(case_follow_up, "registered", known)
    other = stack_of(examined(KNEE, WITHOUT_SUPPRESSION), "2.25.4")
    studies = [study(suppressed.stack, other), study(later.stack)]
    found = followed(reading(suppressed), reading(later), studies)
    assert register_on == [(suppressed.stack, later.stack)]
    assert found.part.remarks[-1].startswith("Fat is suppressed in the series of one examination")
    assert error_mm(found) == COMMON_ERROR[ContrastMatch.OTHER_FAT][0]

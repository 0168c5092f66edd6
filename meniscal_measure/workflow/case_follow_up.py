"""The follow-up within a case: the same slice of the bone found, measured and compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from matplotlib.figure import Figure

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.knee.answers import Answers
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import compared, follow_up_part, registered, same_slice
from meniscal_measure.knee.milestones import time_line_part, usual_plan
from meniscal_measure.knee.pairing import dicom_date
from meniscal_measure.knee.quantity import CasePart
from meniscal_measure.knee.registration import (
    COMMON_ERROR,
    ContrastMatch,
    Registration,
    contrast_match,
)
from meniscal_measure.report.follow_up_figure import follow_up_figure
from meniscal_measure.series.choose import describe, ranked
from meniscal_measure.series.model import Study
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.slice_name import slice_name
from meniscal_measure.workflow.knee_reading import KneeReading
from meniscal_measure.workflow.measure_study import measure

BETWEEN_SERIES = (0.5, 0.5)
"""How far a knee moves between two series of one examination, mm and degrees: a standard deviation
(assumed, no source)."""


@dataclass(frozen=True, eq=False)
class CaseFollowUp:
    """The part of the case, and its figure; None where nothing could be compared."""

    part: CasePart
    figure: Figure | None


def followed(
    baseline: KneeReading, follow_up: KneeReading, studies: Sequence[Study]
) -> CaseFollowUp:
    """Compare the extrusion at follow-up with the baseline, on the same slice of the bone.

    The follow-up may be measured on any slice near the middle of the plateau: it is measured again
    on the one that is found. What prevents the comparison is a gap of the part.
    """
    first, second = _examination(baseline), _examination(follow_up)
    try:
        if np.array_equal(first.pixels, second.pixels):
            raise InputError(
                "The images of baseline and follow-up are equal in every pixel: they are one"
                " examination. Give two."
            )
        tibia = _registered(first, second, studies)
        index, _ = same_slice(first, second.stack, tibia.found.move)
        if index != follow_up.reading.measured.slice_index and not follow_up.reading.verified:
            second = _examination(_measured_on(index, follow_up, studies[1]))
        followed_up = compared(first, second, tibia.found)
        remarks = filter(None, (*followed_up.remarks, tibia.remark))
        followed_up = replace(followed_up, remarks=tuple(remarks))
    except (InputError, UsageError) as error:
        return CaseFollowUp(CasePart("Follow-up", gaps=(error.words(identifiers=False),)), None)
    part = follow_up_part(followed_up, first, second)
    return CaseFollowUp(part, follow_up_figure(followed_up, first, second))


@dataclass(frozen=True)
class _Registered:
    """A registration, and what the sheet says of the series it rests on."""

    found: Registration
    remark: str = ""


def _registered(
    first: KneeExamination, second: KneeExamination, studies: Sequence[Study]
) -> _Registered:
    """Register the tibia, if possible on series alike in fat suppression, and say which and why."""
    if not _differ_in_fat(first, second):
        return _Registered(registered(first, second))
    moved_mm, moved_deg = BETWEEN_SERIES
    for one, other in product(*map(_with_other_series, (first, second), studies)):
        if _differ_in_fat(one, other):
            continue
        with suppress(InputError):  # such as a series that shows too little of the tibia
            found = registered(one, other)
            names = (describe(each.stack).words(identifiers=False) for each in (one, other))
            error_mm = math.hypot(found.error_mm, moved_mm)
            return _Registered(
                Registration(found.move, error_mm, math.hypot(found.error_deg, moved_deg)),
                f"The tibia was registered between {' and '.join(names)}, which are alike in fat"
                f" suppression; {moved_mm:g} mm and {moved_deg:g} degrees are added to the error"
                " for movement between the series of one examination (assumed, no source).",
            )
    common_mm, common_deg = COMMON_ERROR[ContrastMatch.OTHER_FAT]
    return _Registered(
        registered(first, second),
        "Fat is suppressed in the series of one examination only. The two may displace fat against"
        " water in different ways, which the images do not state: the tibia is registered to no"
        f" better than {common_mm:g} mm and {common_deg:g} degrees (standard uncertainty, synthetic"
        " knees). With series of one protocol it is about 0.1 mm.",
    )


def _differ_in_fat(one: KneeExamination, other: KneeExamination) -> bool:
    match = contrast_match(one.stack.contrast, other.stack.contrast)
    return match is ContrastMatch.OTHER_FAT


def _with_other_series(knee: KneeExamination, study: Study) -> list[KneeExamination]:
    """List the examination, then the same with each other coronal series in its coordinates."""
    frame, own = knee.stack.identity.frame_of_reference_uid, knee.stack.frames[0].sop_instance_uid
    others = [
        stack
        for stack in ranked(study, Plane.CORONAL)
        if frame and stack.identity.frame_of_reference_uid == frame
        and stack.frames[0].sop_instance_uid != own
    ]  # fmt: skip
    return [knee, *(replace(knee, stack=s, pixels=StackPixels(s).read()) for s in others)]


def _examination(knee: KneeReading) -> KneeExamination:
    return KneeExamination(knee.reading, knee.stack, knee.pixels.read())


def _measured_on(index: int, follow_up: KneeReading, study: Study) -> KneeReading:
    """Measure the follow-up on the same slice; where that is declined the first reading counts."""
    number = str(slice_name(follow_up.stack.frames, index).number)
    try:
        return measure(study, side=follow_up.reading.source.side, on_slice=number)
    except InputError:
        return follow_up


def dated_part(answers: Answers, study_dates: dict[str, str]) -> CasePart:
    """Give the time line of the case; study dates are YYYYMMDD, by the name of the event."""
    events = {
        name: day for name, text in study_dates.items() if (day := dicom_date(text)) is not None
    }
    if answers.case.event_date is not None:
        events["injury"] = answers.case.event_date
    return time_line_part(events, answers.case.repair_date, answers.plan or usual_plan())

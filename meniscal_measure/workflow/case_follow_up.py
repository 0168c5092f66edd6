"""The follow-up within a case: the same slice of the bone found, measured and compared."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure

from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.knee.answers import Answers
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import compared, registered, same_slice
from meniscal_measure.knee.follow_up_part import follow_up_part
from meniscal_measure.knee.milestones import time_line_part, usual_plan
from meniscal_measure.knee.pairing import dicom_date
from meniscal_measure.knee.quantity import CasePart
from meniscal_measure.report.follow_up_figure import follow_up_figure
from meniscal_measure.series.model import Study
from meniscal_measure.slice_name import slice_name
from meniscal_measure.workflow.knee_reading import KneeReading
from meniscal_measure.workflow.measure_study import measure


@dataclass(frozen=True, eq=False)
class CaseFollowUp:
    """The part of the case, and its figure; None where nothing could be compared."""

    part: CasePart
    figure: Figure | None


def followed(baseline: KneeReading, follow_up: KneeReading, study: Study) -> CaseFollowUp:
    """Compare the extrusion at follow-up with the baseline, on the same slice of the bone.

    Parameters
    ----------
    baseline, follow_up
        Both measured, the follow-up on any slice near the middle of the plateau.
    study
        The follow-up's, to be measured again on the slice that is found.

    Returns
    -------
    CaseFollowUp
        What stands against the comparison is a gap of its part.
    """
    first, second = _examination(baseline), _examination(follow_up)
    try:
        found = registered(first, second)
        index, _ = same_slice(first, second.stack, found.move)
        if index != follow_up.reading.measured.slice_index and not follow_up.reading.verified:
            second = _examination(_measured_on(index, follow_up, study))
        followed_up = compared(first, second, found)
    except (InputError, UsageError) as error:
        return CaseFollowUp(CasePart("Follow-up", gaps=(error.words(identifiers=False),)), None)
    part = follow_up_part(followed_up, first, second)
    return CaseFollowUp(part, follow_up_figure(followed_up, first, second))


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
        events["event"] = answers.case.event_date
    return time_line_part(events, answers.case.repair_date, answers.plan or usual_plan())

"""The earlier visit of the same knee, where the work list holds it too."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset

from meniscal_measure.errors import MeniscalMeasureError
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.journal import Signing, Verdict
from meniscal_measure.records.signed_store import TaskKey
from meniscal_measure.report.window import display_window
from meniscal_measure.report.words import value_words
from meniscal_measure.review.knee import OpenKnee, middle_pixels
from meniscal_measure.review.present import Json, stack_on_page
from meniscal_measure.review.side_planes import shares_frame
from meniscal_measure.review.state import State, first_state, state_from_dict
from meniscal_measure.review.worklist import Knee, first_header

if TYPE_CHECKING:
    from meniscal_measure.review.desk import Desk, OpenTask

VISIT_ATTRIBUTES = ("PatientID", "PatientName", "StudyDate")

MOST_STUDIES = 1000
"""Longer work lists are not searched: one file of each study has to be read."""


@dataclass(frozen=True)
class _Visit:
    """Whose images a study holds, and of which day (DICOM DA)."""

    patient: tuple[str, str]
    day: str


@dataclass(frozen=True)
class EarlierVisit:
    """An earlier visit, and the slice on which it was measured or would be.

    `state` is what the reader signed there, else what is proposed, else None; `signing` is None
    where the reader has not signed it, or must not see millimetres yet.
    """

    listed: Knee
    knee: OpenKnee
    state: State | None
    signing: Signing | None


class Visits:
    """Finds the earlier visit of a knee by Patient ID, name, day of the study, and side."""

    def __init__(self, knees: Sequence[Knee]) -> None:
        self._knees = knees
        self._found: dict[Knee, _Visit] = {}
        self._reading = Lock()

    def before(self, desk: Desk, task: OpenTask) -> EarlierVisit | None:
        """Find the newest earlier visit of the same knee; None while readers are blinded."""
        if desk.is_blinded or not 1 < len(self._knees) <= MOST_STUDIES:
            return None
        side = task.knee.laterality.side
        for listed in self._earlier(task):
            with suppress(MeniscalMeasureError):  # it cannot be opened: the one before it may be
                knee = desk.opened.at_once(listed)
                if knee.laterality.side is side:
                    return _with_slice(desk, task, listed, knee)
        return None

    def _earlier(self, task: OpenTask) -> Iterator[Knee]:
        identity = task.knee.stack.identity
        own = _Visit((identity.patient_id, identity.patient_name), identity.study_date)
        if not (identity.patient_id and own.day):
            return
        with self._reading:
            found = [(self._visit(knee), knee) for knee in self._knees]
        same = [
            (visit.day, knee)
            for visit, knee in found
            if visit.patient == own.patient and "" < visit.day < own.day
        ]
        for _, knee in sorted(same, key=lambda each: each[0], reverse=True):
            yield knee

    def _visit(self, knee: Knee) -> _Visit:
        if knee not in self._found:
            header = first_header(knee.study, VISIT_ATTRIBUTES) or Dataset()
            patient, name, day = (str(header.get(each, "")) for each in VISIT_ATTRIBUTES)
            self._found[knee] = _Visit((patient, name), day)
        return self._found[knee]


def _with_slice(desk: Desk, task: OpenTask, listed: Knee, knee: OpenKnee) -> EarlierVisit:
    signing = desk.journal.latest(TaskKey(task.key.reader, listed.name, 1))
    if signing is not None and signing.verdict is Verdict.MEASURED:
        record = signing.record
        if record["series"]["key"] == knee.images:
            state = state_from_dict(record["state"], knee.grids)
            return EarlierVisit(listed, knee, state, None if desk.terms.hides_mm else signing)
    if knee.proposal is None:
        return EarlierVisit(listed, knee, None, None)
    return EarlierVisit(listed, knee, first_state(knee.proposal.landmarks, knee.grids), None)


def visit_on_page(visit: EarlierVisit, present: OpenKnee) -> Json:
    """Describe an earlier visit: its slices, and that on which it was measured or would be."""
    knee, state = visit.knee, visit.state
    marks = {} if state is None else state.landmarks.get(state.slice_index, {})
    return {
        **stack_on_page(knee.stack),
        "label": visit.listed.name,
        "day": knee.stack.identity.study_date,
        "window": display_window(middle_pixels(knee.stack)),
        "is_linked": shares_frame(knee.stack, present.stack),
        "slice": None if state is None else state.slice_index,
        "joint": [list(mark.pixel) for mark in marks.values()],
        "signed": "" if visit.signing is None else _signed_words(visit.signing),
    }


def _signed_words(signing: Signing) -> str:
    reading = reading_from_dict(signing.record["reading"])
    found = reading.measured.compartments.items()
    values = [f"{name.words} {value_words(part.extrusion)}" for name, part in found]
    return f"signed by {signing.key.reader}: {', '.join(values)}"

"""The stacks of a case: one of each plane, of one knee."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Plane, Side
from meniscal_measure.errors import LandmarkError, NothingMeasurableError, SideError, UsageError
from meniscal_measure.knee.answers import LandmarkAnswer
from meniscal_measure.knee.case_record import CaseStudy
from meniscal_measure.knee.named_landmarks import (
    SpatialLandmark,
    landmark_on,
    located,
    traced_slice,
)
from meniscal_measure.knee.pairing import KneeIdentity
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.series.choose import describe, ranked
from meniscal_measure.series.find_slice import find_slice
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.series.side import resolve_side

PLANES = (Plane.CORONAL, Plane.SAGITTAL, Plane.AXIAL)


@dataclass(frozen=True, eq=False)
class VisitImages:
    """One examination: its study, and the stack of each plane that is used."""

    visit: Visit
    study: Study
    stacks: dict[Plane, Stack]
    side: Side
    side_source: str
    examinations: int = 1
    """Those that the folder holds; only the images of one are used."""
    _pixels: dict[str, StackPixels] = field(default_factory=dict)

    def record(self, *, identifiers: bool = True) -> CaseStudy:
        """Give what the record of the case says of it."""
        own, stacks = self.identity, self.stacks.values()
        series = tuple(describe(stack).words(identifiers=identifiers) for stack in stacks)
        return CaseStudy(self.visit, own.study_instance_uid, own.study_date, series)

    @property
    def identity(self) -> KneeIdentity:
        """Whose knee it is, and when it was examined."""
        found = next(iter(self.stacks.values())).identity
        return KneeIdentity(
            self.side, found.patient_id, found.study_instance_uid, found.study_date,
            found.patient_name, found.patient_birth_date,
        )  # fmt: skip

    def gaps(self, *, identifiers: bool = True) -> tuple[str, ...]:
        """Say which planes are missing, and whether images were left out."""
        missing = [
            f"The {self.visit.words} has no {plane.value} series: what is read on it is left out."
            for plane in PLANES
            if plane not in self.stacks
        ]
        if self.examinations > 1:
            date = (self.identity.study_date if identifiers else "") or "unknown date"
            missing.append(
                f"The images of the {self.visit.words} are those of {self.examinations}"
                f" examinations; only the one of {date} is used. Give the folder of one."
            )
        return tuple(missing)

    def pixels_of(self, stack: Stack) -> StackPixels:
        """Give the pixels of a stack; each is decoded once."""
        key = stack.frames[0].sop_instance_uid
        return self._pixels.setdefault(key, StackPixels(stack))

    def image(self, landmark: SpatialLandmark) -> NDArray[np.float32]:
        """Give the grey values of the slice a landmark lies on."""
        place = located(self.study.stacks, landmark.where)
        assert place is not None, "a landmark is placed on a slice of the study"
        image: NDArray[np.float32] = self.pixels_of(place[0]).read([place[1]])[0]
        return image

    def traced(self, stack: Stack, index: int) -> TracedSlice:
        """Name a slice of this visit."""
        return traced_slice(stack, index, self.visit)

    def placed(self, answer: LandmarkAnswer) -> SpatialLandmark:
        """Take a landmark of the answers to patient space.

        Raises
        ------
        LandmarkError
            If its slice is not of this study, or it lies off the image.
        """
        stack, index = self._slice(answer)
        return landmark_on(
            stack, index, answer.pixel, answer.name,
            sd_mm=answer.sd_mm, by=answer.by, visit=self.visit,
        )  # fmt: skip

    def _slice(self, answer: LandmarkAnswer) -> tuple[Stack, int]:
        stacks: Sequence[Stack] = self.study.stacks
        if answer.plane is not None:
            stacks = [stack for plane, stack in self.stacks.items() if plane is answer.plane]
        elif "." not in answer.slice:
            raise LandmarkError(
                "The landmark {name} names slice {slice:private} without its plane. Add plane ="
                ' "sagittal" (or coronal, axial), or give a SOP Instance UID.',
                name=answer.name,
                slice=answer.slice,
            )
        for stack in stacks:
            try:
                return stack, find_slice(stack, answer.slice)
            except UsageError:
                continue
        raise LandmarkError(
            "The landmark {name} names slice {slice:private}, which is none of the {visit}. Give a"
            " slice of the study the landmark was placed on.",
            name=answer.name,
            slice=answer.slice,
            visit=self.visit.words,
        )


def visit_images(visit: Visit, study: Study, stated: Side | None) -> VisitImages:
    """Choose the stacks of an examination and settle its side.

    Raises
    ------
    NothingMeasurableError
        If there is no stack of any plane.
    UsageError
        If the images belong to several patients.
    SideError
        If the side is unknown, or the stacks are not of one knee.
    """
    usable = [stack for plane in PLANES for stack in ranked(study, plane)]
    if not usable:
        raise NothingMeasurableError(
            "{study:private} holds no coronal, sagittal or axial series. See with `contents` what"
            " it holds.",
            study=str(study.path),
        )
    _check_one_patient(visit, usable)
    used = usable[0].identity.study_instance_uid
    own = [stack for stack in study.stacks if stack.identity.study_instance_uid == used]
    examinations = len({stack.identity.study_instance_uid for stack in usable})
    study = replace(study, stacks=tuple(own))
    stacks = {plane: found[0] for plane in PLANES if (found := ranked(study, plane))}
    settled = [resolve_side(stack, stated) for stack in stacks.values()]
    known = [found for found in settled if found.side is not None]
    sides = {found.side for found in known}
    if len(sides) > 1:
        raise SideError(
            "The series of the {visit} are of the left and of the right knee. Give a folder with"
            " one knee.",
            visit=visit.words,
        )
    if not known or known[0].side is None:
        raise SideError(
            "The side of the {visit} is unknown: the images do not say it. Give --side left or"
            ' right, or side = "left" under [case] in the answers.',
            visit=visit.words,
        )
    return VisitImages(visit, study, stacks, known[0].side, known[0].source, examinations)


def _check_one_patient(visit: Visit, stacks: Sequence[Stack]) -> None:
    """Refuse images of several patients: a plane of one would be read with a plane of another."""
    patients = sorted({stack.identity.patient for stack in stacks})
    if len(patients) > 1:
        first, second = (", ".join(filter(None, patient)) or "nobody" for patient in patients[:2])
        raise UsageError(
            "The images of the {visit} belong to {count} patients, among them {first:private} and"
            " {second:private}. Give the folder of one.",
            visit=visit.words,
            count=len(patients),
            first=first,
            second=second,
        )


def stated_side(given: Side | None, answered: Side | None) -> Side | None:
    """Give the side a person stated, on the command line or in the answers.

    Raises
    ------
    SideError
        If the two differ.

    Examples
    --------
    >>> stated_side(None, Side.LEFT)
    <Side.LEFT: 'L'>
    """
    if given is not None and answered is not None and given is not answered:
        raise SideError(
            "The side was given as {given}, the answers say {answered}. Correct one of them.",
            given=given.word,
            answered=answered.word,
        )
    return given or answered

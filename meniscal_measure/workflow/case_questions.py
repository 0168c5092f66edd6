"""The open questions of a case, each with the slice on which to look first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Plane, Side
from meniscal_measure.errors import InputError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.answers import Answers, Root, Topic
from meniscal_measure.knee.named_landmarks import (
    SpatialLandmark,
    by_frame_of_reference,
    nearest_slice,
)
from meniscal_measure.knee.pairing import check_pair
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.knee.questions import Available, CaseQuestioning, answered_keys
from meniscal_measure.knee.topics import (
    CENTRE,
    FIRST_LANDMARKS,
    MEASURED,
    MIDDLE,
    for_root,
    sign_looks,
    topics_of,
)
from meniscal_measure.series.find_slice import INSTANCE
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.slice_name import slice_name
from meniscal_measure.workflow.case_parts import (
    RIMS,
    RootSpace,
    candidate_facts,
    placed_landmarks,
    root_spaces,
)
from meniscal_measure.workflow.case_radiographs import (
    CaseRadiograph,
    CaseRadiographs,
    case_radiographs,
)
from meniscal_measure.workflow.case_studies import VisitImages, stated_side, visit_images
from meniscal_measure.workflow.knee_reading import KneeReading, StrPath
from meniscal_measure.workflow.measure_study import as_study, measure

Places = Mapping[str, FloatArray]
"""Points of one frame of reference by the names that `LandmarkQuestion.near` has, LPS mm."""


@dataclass(frozen=True, eq=False)
class CaseQuestions:
    """What is asked about a case, read and measured once."""

    images: VisitImages
    """Of the baseline."""
    knee: KneeReading | None
    """The extrusion, whose rims nobody is asked for; None where it was not measured."""
    follow_up: VisitImages | None = None
    radiographs: tuple[CaseRadiograph, ...] = ()
    """Those of this leg."""
    wanted: tuple[Topic, ...] = ()
    """Topics to ask about, beside those that the answers name."""

    @property
    def available(self) -> Available:
        """What there is to answer questions on."""
        tallest = max(self.radiographs, key=lambda image: image.grid.rows, default=None)
        later = () if self.follow_up is None else tuple(self.follow_up.stacks)
        where = None if tallest is None else tallest.where
        return Available(tuple(self.images.stacks), later, where, self.wanted)

    def asked(self, answers: Answers, known: Collection[str] = ()) -> CaseQuestioning:
        """Give the questions that these answers call for; `known` is what other images answer.

        Raises
        ------
        LandmarkError
            If a landmark of the answers lies on no slice of the study, or off its image.
        """
        placed = placed_landmarks(self.images, self.knee, answers)
        facts = candidate_facts(answers, self.knee, self.images.identity)
        answered = set(answered_keys(answers))
        found = {f"facts.{name}" for name in facts}
        found |= {f"landmark.{mark.name}" for mark in placed}
        likely = self._likely(self.images, placed, answers.case.root)
        if self.follow_up is not None:
            later = placed_landmarks(self.follow_up, None, answers)
            likely |= self._likely(self.follow_up, later, answers.case.root)
        return CaseQuestioning(answers, self.available, (found - answered) | set(known), likely)

    def _likely(
        self, images: VisitImages, placed: Sequence[SpatialLandmark], root: Root
    ) -> dict[str, TracedSlice]:
        """Find the slice on which to look first, by the key of the question."""
        spaces = root_spaces(by_frame_of_reference(placed), images, root, published())
        places = {uid: _places(space) for uid, space in spaces.items()}
        by_name = {landmark.name: landmark for landmark in placed}
        topics = topics_of(root).values()
        marks = [
            *for_root(FIRST_LANDMARKS, root),
            *(m for topic in topics for m in topic.landmarks),
        ]
        wanted = [(mark.key, mark.plane, mark.near) for mark in marks if mark.visit is images.visit]
        if images is self.images:
            wanted += [(f"sign.{name}", *look) for name, look in sign_looks(root).items()]
        found = {}
        for key, plane, near in wanted:
            stack = None if plane is None else images.stacks.get(plane)
            index = None if stack is None else self._index(stack, near, places, by_name)
            if stack is not None and index is not None:
                found[key] = images.traced(stack, index)
        return found

    def _index(
        self,
        stack: Stack,
        near: Sequence[str],
        places: Mapping[str, Places],
        by_name: Mapping[str, SpatialLandmark],
    ) -> int | None:
        """Find the slice of the first place that is known and lies in the stack."""
        uids = {frame.sop_instance_uid for frame in stack.frames}
        here = places.get(stack.identity.frame_of_reference_uid, {})
        for name in near:
            if name == MEASURED and self.knee is not None and stack.plane is Plane.CORONAL:
                return self.knee.reading.measured.slice_index
            on_stack = by_name.get(name)
            if on_stack is not None and on_stack.where.sop_instance_uid in uids:
                return on_stack.slice_index
            if name in here:
                nearest, away_mm = nearest_slice(stack, here[name])
                if away_mm <= (stack.spacing_mm or 0.0):
                    return nearest
        return None


def _places(space: RootSpace) -> Places:
    """Name the places of one frame of reference: its landmarks, and what follows from them."""
    found = {
        name: np.asarray(landmark.point_mm) for name, landmark in space.landmarks.placed.items()
    }
    if space.centres:
        found[CENTRE] = np.asarray(space.centres[0].point_mm)
    medial, lateral = (found.get(name) for name in RIMS.values())
    if medial is not None and lateral is not None:
        for name, share in ((MIDDLE, 0.5), ("medial_plateau", 0.25), ("lateral_plateau", 0.75)):
            found[name] = medial + share * (lateral - medial)
    return found


def questioned(
    baseline: Study | StrPath,
    answers: Answers,
    *,
    follow_up: Study | StrPath | None = None,
    radiographs: Study | StrPath | None = None,
    side: Side | None = None,
    landmarks: StrPath | None = None,
) -> CaseQuestions:
    """Read and measure a case once, so that its questions can be asked in turn.

    Parameters
    ----------
    baseline, follow_up
        What `read` returned, or paths to read.
    answers
        What was answered before; only its side counts here.
    radiographs
        Where radiographs of the leg lie, beside those among the files of the studies.
    side
        Body side where neither images nor answers say it.
    landmarks
        Landmark file of the extrusion; without one landmarks are proposed.

    Raises
    ------
    SideError, InputError
        If the two are not of one knee, the follow-up is the earlier one, or the answers are of
        another study.
    NothingMeasurableError
        If a study holds no series of any plane.
    """
    stated = stated_side(side, answers.side)
    visits = case_visits(baseline, follow_up, answers, stated)
    knee = measured_extrusion(visits[0], stated, landmarks, [])
    found = legs_of(visits, radiographs)
    return case_questions(visits, knee, found, radiographs)


def legs_of(visits: Sequence[VisitImages], given: Study | StrPath | None) -> CaseRadiographs:
    """Find the radiographs of this leg among the files of the visits, and those that are given."""
    others = () if given is None else (as_study(given),)
    return case_radiographs([*(visit.study for visit in visits), *others], visits[0].identity)


def case_questions(
    visits: Sequence[VisitImages], knee: KneeReading | None, found: CaseRadiographs, given: object
) -> CaseQuestions:
    """Bring together what is asked about; who gives radiographs wants the leg measured."""
    later = visits[1] if len(visits) > 1 else None
    wanted = () if given is None else (Topic.LEG,)
    return CaseQuestions(visits[0], knee, later, found.images, wanted)


def case_visits(
    baseline: Study | StrPath, follow_up: Study | StrPath | None, answers: Answers,
    stated: Side | None,
) -> list[VisitImages]:  # fmt: skip
    """Choose the images of the baseline and, where there is one, of the follow-up.

    What `questioned` names is refused.
    """
    visits = [visit_images(Visit.BASELINE, as_study(baseline), stated)]
    _check_answered(answers, visits[0])
    if follow_up is not None:
        visits.append(visit_images(Visit.FOLLOW_UP, as_study(follow_up), stated))
        check_pair(visits[0].identity, visits[1].identity)
        _check_no_image_twice(*visits)
    return visits


def _check_no_image_twice(baseline: VisitImages, follow_up: VisitImages) -> None:
    """Refuse images that were exported once more as another study."""
    images = [
        {frame.sop_instance_uid for stack in visit.stacks.values() for frame in stack.frames}
        for visit in (baseline, follow_up)
    ]
    if (images[0] & images[1]) - {""}:
        raise InputError(
            "Baseline and follow-up hold the same images (SOP Instance UID), though they are filed"
            " as two studies. Give two examinations."
        )


def _check_answered(answers: Answers, baseline: VisitImages) -> None:
    """Refuse answers that were given for another study."""
    asked, study = answers.case.study, baseline.identity.study_instance_uid
    if asked and study and asked != study:
        raise InputError(
            "The answers are of study {asked:private}, the baseline is study {study:private}. Give"
            " the answers of this knee (--answers), or another folder of results.",
            asked=asked,
            study=study,
        )


def measured_extrusion(
    visit: VisitImages, stated: Side | None, landmarks: StrPath | None, gaps: list[str]
) -> KneeReading | None:
    """Measure the extrusion; where nothing can be proposed, a gap says why, and None is returned.

    Raises
    ------
    InputError
        If it cannot be measured on the landmarks that were given.
    """
    if Plane.CORONAL not in visit.stacks:
        return None
    try:
        return measure(visit.study, landmarks=landmarks, side=stated or visit.side)
    except InputError as error:
        if landmarks is not None:
            raise
        gaps.append(f"Extrusion, {visit.visit.words}: {error.words(identifiers=False)}")
        return None


def slice_words(stack: Stack, index: int) -> str:
    """Name a slice as answers do: "instance:7" where one image has that number, else "17".

    The latter counts from the front, the right or the feet.

    Examples
    --------
    >>> slice_words(study.stacks[0], 3)
    'instance:4'
    """
    number = stack.frames[index].instance_number
    shared = [frame.instance_number for frame in stack.frames].count(number)
    if number is not None and shared == 1:
        return f"{INSTANCE}{number}"
    return str(slice_name(stack.frames, index).number)

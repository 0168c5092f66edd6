"""The open questions of a case, each with the slice on which to look first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Plane, Side
from meniscal_measure.errors import InputError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.answers import Answers, Root
from meniscal_measure.knee.named_landmarks import (
    SpatialLandmark,
    by_frame_of_reference,
)
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.knee.questions import (
    CENTRE,
    MEASURED,
    MIDDLE,
    OpenQuestion,
    landmark_questions,
    open_questions,
    sign_looks,
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
from meniscal_measure.workflow.case_studies import VisitImages, stated_side, visit_images
from meniscal_measure.workflow.knee_reading import KneeReading, StrPath
from meniscal_measure.workflow.measure_study import measure, read

Places = Mapping[str, FloatArray]
"""Points of one frame of reference by the names that `LandmarkQuestion.near` gives, LPS mm."""


@dataclass(frozen=True, eq=False)
class CaseQuestions:
    """What is asked about a baseline, read and measured once.

    Parameters
    ----------
    images
        The stacks on which the questions are answered, by plane.
    knee
        The extrusion, whose rims nobody is asked for; None where it was not measured.
    """

    images: VisitImages
    knee: KneeReading | None

    def open(self, answers: Answers) -> tuple[OpenQuestion, ...]:
        """List what these answers leave open.

        Raises
        ------
        LandmarkError
            If a landmark of the answers lies on no slice of the study, or off its image.
        """
        placed = placed_landmarks(self.images, self.knee, answers)
        spaces = root_spaces(
            by_frame_of_reference(placed), self.images, answers.case.root, published()
        )
        facts = candidate_facts(answers, self.knee, self.images.identity.study_date)
        known = (*facts, *(landmark.name for landmark in placed))
        likely = self._likely(answers.case.root, placed, list(spaces.values()))
        return open_questions(answers, tuple(self.images.stacks), known, likely)

    def _likely(
        self, root: Root, placed: Sequence[SpatialLandmark], spaces: Sequence[RootSpace]
    ) -> dict[str, TracedSlice]:
        """Find the slice on which to look first, by the key of the question."""
        wanted = [(f"landmark.{a.name}", a.plane, a.near) for a in landmark_questions(root)]
        wanted += [(f"sign.{name}", *look) for name, look in sign_looks(root).items()]
        places = {space.landmarks.frame_of_reference_uid: _places(space) for space in spaces}
        by_name = {landmark.name: landmark for landmark in placed}
        found = {}
        for key, plane, near in wanted:
            stack = self.images.stacks.get(plane)
            index = None if stack is None else self._index(stack, near, places, by_name)
            if stack is not None and index is not None:
                found[key] = self.images.traced(stack, index)
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
                away = [abs(float(f.grid.off_plane_mm(here[name]))) for f in stack.frames]
                nearest = int(np.argmin(away))
                if away[nearest] <= (stack.spacing_mm or 0.0):
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
    baseline: Study | StrPath, answers: Answers, *, side: Side | None = None,
    landmarks: StrPath | None = None,
) -> CaseQuestions:  # fmt: skip
    """Read and measure a baseline once, so that its questions can be asked in turn.

    Parameters
    ----------
    baseline
        What `read` returned, or a path to read.
    answers
        What was answered before; only its side counts here.
    side
        Body side where neither images nor answers say it.
    landmarks
        Landmark file of the extrusion; without one landmarks are proposed.

    Raises
    ------
    SideError, NothingMeasurableError
        As `make_case`.
    """
    stated = stated_side(side, answers.side)
    images = visit_images(Visit.BASELINE, as_study(baseline), stated)
    return CaseQuestions(images, measured_extrusion(images, stated, landmarks, []))


def as_study(study: Study | StrPath) -> Study:
    """Read a study where a path is given."""
    return study if isinstance(study, Study) else read(study)


def measured_extrusion(
    visit: VisitImages, stated: Side | None, landmarks: StrPath | None, gaps: list[str]
) -> KneeReading | None:
    """Measure the extrusion; what stands against it is added to the gaps, and None returned."""
    if Plane.CORONAL not in visit.stacks:
        return None
    try:
        return measure(visit.study, landmarks=landmarks, side=stated or visit.side)
    except InputError as error:
        gaps.append(f"Extrusion, {visit.visit.words}: {error.words(identifiers=False)}")
        return None


def slice_words(stack: Stack, index: int) -> str:
    """Name a slice as answers do: "instance:7" where one image has that number, else "17".

    The latter counts from the front, the right or the feet.
    """
    number = stack.frames[index].instance_number
    shared = [frame.instance_number for frame in stack.frames].count(number)
    if number is not None and shared == 1:
        return f"{INSTANCE}{number}"
    return str(slice_name(stack.frames, index).number)

"""From one study, or two of one knee, and a person's answers to the record of the case."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain

from matplotlib.figure import Figure

from meniscal_measure import __version__
from meniscal_measure.anatomy import Side
from meniscal_measure.knee.answers import Answers
from meniscal_measure.knee.candidate import Fact, candidate_lines
from meniscal_measure.knee.case_record import CASE_VERSION, KneeCase, without_identifiers
from meniscal_measure.knee.joint_space import joint_space_part
from meniscal_measure.knee.named_landmarks import (
    PLACEMENT_SD_MM,
    SpatialLandmark,
    by_frame_of_reference,
)
from meniscal_measure.knee.pairing import check_pair
from meniscal_measure.knee.published import Published, published
from meniscal_measure.knee.quantity import CasePart, Visit
from meniscal_measure.knee.questions import CaseQuestioning
from meniscal_measure.knee.root_signs import sign_lines, sign_support
from meniscal_measure.knee.slope import slope_part
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.case_picture import CasePicture
from meniscal_measure.report.radiograph_picture import RadiographPicture
from meniscal_measure.series.model import Study
from meniscal_measure.workflow.case_follow_up import CaseFollowUp, dated_part, followed
from meniscal_measure.workflow.case_parts import (
    RootSpace,
    candidate_facts,
    directed,
    extrusion_part,
    footprint_part,
    later_root_part,
    placed_landmarks,
    root_spaces,
    tunnel_part,
)
from meniscal_measure.workflow.case_pictures import case_pictures
from meniscal_measure.workflow.case_questions import (
    case_questions,
    case_visits,
    legs_of,
    measured_extrusion,
)
from meniscal_measure.workflow.case_radiographs import measured_limb
from meniscal_measure.workflow.case_studies import VisitImages, stated_side
from meniscal_measure.workflow.knee_reading import KneeReading, StrPath

CAUTIONS = (
    "Predicted centres are means of published specimens; this knee may differ by more than their"
    " spread. They show where to look, not where to drill.",
    "What published series found for a fact is not a rule for this patient; most are small and"
    " retrospective.",
    "Signs are those a reader confirmed; what the program computes supports or contradicts them and"
    " decides nothing.",
)


@dataclass(frozen=True, eq=False)
class MadeCase:
    """A case with the pictures of its slices."""

    case: KneeCase
    pictures: tuple[CasePicture, ...]
    refused: int
    """Files of the studies that could not be used."""
    follow_up: Figure | None = None
    """Both examinations on the same slice of the bone, where they could be compared."""
    radiographs: tuple[RadiographPicture, ...] = ()
    """Radiographs on which the leg was measured."""


def make_case(
    baseline: Study | StrPath,
    follow_up: Study | StrPath | None = None,
    *,
    answers: Answers,
    side: Side | None = None,
    landmarks: StrPath | None = None,
    radiographs: Study | StrPath | None = None,
    identifiers: bool = True,
) -> MadeCase:
    """Bring a case together.

    Parameters
    ----------
    baseline, follow_up, radiographs, side, landmarks
        As in `questioned`.
    answers
        What a person answered.
    identifiers
        Whether the record may say who the patient and the readers are, and when it was.

    Raises
    ------
    SideError, InputError, NothingMeasurableError
        As `questioned`.
    LandmarkError
        If a landmark of the answers lies on no slice of the studies.
    """
    stated = stated_side(side, answers.side)
    visits = case_visits(baseline, follow_up, answers, stated)
    gaps = [gap for visit in visits for gap in visit.gaps(identifiers=identifiers)]
    gaps += _doubts(visits, answers)
    readings = [
        measured_extrusion(visit, stated, landmarks if visit is visits[0] else None, gaps)
        for visit in visits
    ]
    found = legs_of(visits, radiographs)
    limb = measured_limb(found.images, answers, visits[0].side)
    placed = [
        placed_landmarks(visit, knee, answers) for visit, knee in zip(visits, readings, strict=True)
    ]
    roots = [
        [*root_spaces(by_frame_of_reference(own), visit, answers.case.root, published()).values()]
        for visit, own in zip(visits, placed, strict=True)
    ]
    marks = [*chain(*placed)]
    compared = _compared(visits, readings)
    parts = [
        *_parts(visits, readings, roots, answers), *limb.parts,
        *(() if compared is None else (compared.part,)),
        dated_part(answers, {f"{v.visit.words} MRI": v.identity.study_date for v in visits}),
    ]  # fmt: skip
    facts = candidate_facts(answers, readings[0], visits[0].identity)
    if limb.varus is not None and "varus_deg" not in facts:
        facts["varus_deg"] = Fact(limb.varus.value, "measured on a radiograph", limb.varus.where)
    questions = case_questions(visits, readings[0], found, radiographs)
    case = _record(
        visits, questions.asked(answers, [f"facts.{name}" for name in facts]),
        parts=parts, facts=facts, gaps=[*gaps, *_unlinked(visits[0]), *found.gaps],
        cautions=(*CAUTIONS, *_assumed(marks)), identifiers=identifiers,
    )  # fmt: skip
    refused = sum(len(visit.study.refusals) for visit in visits)
    pictures = case_pictures(visits, marks, roots[0], parts)
    figure = None if compared is None else compared.figure
    return MadeCase(case, pictures, refused, figure, limb.pictures)


def _record(
    visits: Sequence[VisitImages], asked: CaseQuestioning, *,
    parts: Sequence[CasePart], facts: Mapping[str, Fact], gaps: Sequence[str],
    cautions: tuple[str, ...], identifiers: bool,
) -> KneeCase:  # fmt: skip
    first, answers, figures = visits[0], asked.answers, published()
    case = KneeCase(
        case_version=CASE_VERSION,
        software=f"meniscal_measure {__version__}",
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        side=first.side.word,
        side_source=first.side_source,
        root=answers.case.root.words,
        studies=tuple(visit.record(identifiers=identifiers) for visit in visits),
        parts=tuple(parts),
        signs=sign_lines(answers, figures),
        candidate=candidate_lines(dict(facts), figures),
        questions=asked.open(),
        gaps=tuple(dict.fromkeys(gaps)),
        cautions=cautions,
        sources=tuple(f"{source.short}: {source.words}" for source in figures.source.values()),
        notice=NOTICE,
        offered=asked.offered(),
    )
    return case if identifiers else without_identifiers(case)


def _parts(
    visits: Sequence[VisitImages],
    readings: Sequence[KneeReading | None],
    roots: Sequence[Sequence[RootSpace]],
    answers: Answers,
) -> Iterator[CasePart]:
    """Give the sections that follow from readings and landmarks."""
    for visit, knee in zip(visits, readings, strict=True):
        if knee is not None:
            yield extrusion_part(knee, visit.visit)
    yield from _knee_parts(roots[0], answers, published(), visits[0])
    for visit, spaces in zip(visits[1:], roots[1:], strict=True):
        if (later := later_root_part(spaces, answers, published(), visit)).quantities:
            yield later


def _knee_parts(
    roots: Sequence[RootSpace], answers: Answers, figures: Published, images: VisitImages
) -> Iterator[CasePart]:
    """Give what follows from the landmarks, each frame of reference by itself."""
    yield sign_support(directed(roots), answers, figures, images.image)
    yield footprint_part(roots, answers.case.root)
    yield tunnel_part(roots, answers, figures)
    spaces = [root.landmarks for root in roots]
    for part in (*map(joint_space_part, spaces), *map(slope_part, spaces)):
        if part.quantities or part.gaps:
            yield part


def _compared(
    visits: Sequence[VisitImages], readings: Sequence[KneeReading | None]
) -> CaseFollowUp | None:
    if len(visits) == 1:
        return None
    baseline, follow_up = readings
    if baseline is None or follow_up is None:
        gap = "The extrusion was not measured at both examinations; measure it at both."
        return CaseFollowUp(CasePart("Follow-up", gaps=(gap,)), None)
    return followed(baseline, follow_up, [visit.study for visit in visits])


def _doubts(visits: Sequence[VisitImages], answers: Answers) -> tuple[str, ...]:
    """Say what could not be checked of two examinations, or is answered about a missing one."""
    if len(visits) == 2:
        return check_pair(visits[0].identity, visits[1].identity)
    if any(mark.visit is Visit.FOLLOW_UP for mark in answers.landmark):
        return ("The answers place landmarks on a follow-up, and none was given: left out.",)
    return ()


def _unlinked(images: VisitImages) -> list[str]:
    """Say where series cannot be compared, as they have frames of reference of their own."""
    stacks = list(images.stacks.values())
    if len({stack.identity.frame_of_reference_uid for stack in stacks}) <= 1:
        return []
    return [
        "Each series has a frame of reference of its own: landmarks of one plane are not carried"
        " to another, and distances are measured within one series only."
    ]


def _assumed(placed: Sequence[SpatialLandmark]) -> tuple[str, ...]:
    assumed = sum(not landmark.sd_stated for landmark in placed)
    if not assumed:
        return ()
    return (
        f"No standard deviation was stated for {assumed} landmarks; {PLACEMENT_SD_MM:g} mm in the"
        " image is assumed.",
    )

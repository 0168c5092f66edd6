"""From one study, or two of one knee, and a person's answers to the record of the case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from matplotlib.figure import Figure

from meniscal_measure import __version__
from meniscal_measure.anatomy import Side
from meniscal_measure.knee.answers import Answers
from meniscal_measure.knee.candidate import Fact, candidate_lines
from meniscal_measure.knee.case_record import CASE_VERSION, KneeCase
from meniscal_measure.knee.joint_space import joint_space_part
from meniscal_measure.knee.named_landmarks import SpatialLandmark, by_frame_of_reference
from meniscal_measure.knee.pairing import check_pair
from meniscal_measure.knee.published import Published, published
from meniscal_measure.knee.quantity import CasePart, Visit
from meniscal_measure.knee.root_signs import sign_lines, sign_support
from meniscal_measure.knee.slope import slope_part
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.case_picture import CasePicture, PictureMark, PictureOutline
from meniscal_measure.report.radiograph_picture import RadiographPicture
from meniscal_measure.series.model import Study
from meniscal_measure.workflow.case_follow_up import CaseFollowUp, dated_part, followed
from meniscal_measure.workflow.case_parts import (
    RootSpace,
    candidate_facts,
    extrusion_part,
    footprint_part,
    placed_landmarks,
    root_spaces,
    tunnel_part,
)
from meniscal_measure.workflow.case_questions import CaseQuestions, as_study, measured_extrusion
from meniscal_measure.workflow.case_radiographs import measured_limb
from meniscal_measure.workflow.case_studies import VisitImages, told_side, visit_images
from meniscal_measure.workflow.knee_reading import KneeReading, StrPath

CAUTIONS = (
    "Predicted centres are means of published specimens; this knee may differ by more than their"
    " spread. They locate, they do not tell where to drill.",
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
) -> MadeCase:
    """Bring a case together.

    Parameters
    ----------
    baseline, follow_up
        What `read` returned, or paths to read.
    answers
        What a person answered.
    side
        Body side where neither images nor answers say it.
    landmarks
        Landmark file of the baseline's extrusion; without one landmarks are proposed.
    radiographs
        Where radiographs of the leg lie, beside those among the files of the studies.

    Raises
    ------
    SideError, UsageError
        If the two are not of one knee, or the follow-up is the earlier one.
    LandmarkError
        If a landmark of the answers lies on no slice of the studies.
    NothingMeasurableError
        If a study holds no series of any plane.
    """
    told = told_side(side, answers.side)
    first = visit_images(Visit.BASELINE, as_study(baseline), told)
    visits = [first]
    if follow_up is not None:
        visits.append(visit_images(Visit.FOLLOW_UP, as_study(follow_up), told))
        check_pair(first.identity, visits[1].identity)
    figures = published()
    gaps = [gap for visit in visits for gap in visit.gaps]
    readings = [
        measured_extrusion(visit, told, landmarks if visit is first else None, gaps)
        for visit in visits
    ]
    placed = [
        placed_landmarks(visit, knee, answers) for visit, knee in zip(visits, readings, strict=True)
    ]
    spaces = by_frame_of_reference(placed[0])
    gaps += _unlinked(first)
    roots = root_spaces(spaces, first, answers.case.root, figures)
    parts = [
        *(extrusion_part(knee, visit.visit) for visit, knee in zip(visits, readings, strict=True)
          if knee is not None),
        sign_support(list(spaces.values()), answers, figures, first.image),
        footprint_part(list(roots.values()), answers.case.root),
        tunnel_part(list(roots.values()), answers, figures),
    ]  # fmt: skip
    parts += [found for found in map(joint_space_part, spaces.values()) if found.quantities]
    slopes = map(slope_part, spaces.values())
    parts += [found for found in slopes if found.quantities or found.gaps]
    others = () if radiographs is None else (as_study(radiographs),)
    limb = measured_limb(
        [*(visit.study for visit in visits), *others], answers,
        side=first.side, patient_id=first.identity.patient_id,
    )  # fmt: skip
    parts += limb.parts
    gaps += limb.gaps
    compared = _compared(visits, readings)
    if compared is not None:
        parts.append(compared.part)
    parts.append(dated_part(answers, {f"{v.visit.words} MRI": v.record.study_date for v in visits}))
    facts = candidate_facts(answers, readings[0], first.record.study_date)
    questions = [*CaseQuestions(first, readings[0]).open(answers), *limb.questions]
    if limb.varus is not None and "varus_deg" not in facts:
        facts["varus_deg"] = Fact(limb.varus.value, "measured on a radiograph", limb.varus.where)
        questions = [asked for asked in questions if asked.key != "facts.varus_deg"]
    case = KneeCase(
        case_version=CASE_VERSION,
        software=f"meniscal_measure {__version__}",
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        side=first.side.word,
        side_source=first.side_source,
        root=answers.case.root.words,
        studies=tuple(visit.record for visit in visits),
        parts=tuple(parts),
        signs=sign_lines(answers, figures),
        candidate=candidate_lines(facts, figures),
        questions=tuple(questions),
        gaps=tuple(dict.fromkeys(gaps)),
        cautions=(*CAUTIONS, *_assumed(placed[0])),
        sources=_sources(figures),
        notice=NOTICE,
    )
    refused = sum(len(visit.study.refusals) for visit in visits)
    pictures = tuple(_pictures(visits, placed, list(roots.values())))
    figure = None if compared is None else compared.figure
    return MadeCase(case, pictures, refused, figure, limb.pictures)


def _compared(
    visits: Sequence[VisitImages], readings: Sequence[KneeReading | None]
) -> CaseFollowUp | None:
    if len(visits) == 1:
        return None
    baseline, follow_up = readings
    if baseline is None or follow_up is None:
        gap = "The extrusion was not measured at both examinations; measure it at both."
        return CaseFollowUp(CasePart("Follow-up", gaps=(gap,)), None)
    return followed(baseline, follow_up, visits[1].study)


def _unlinked(images: VisitImages) -> list[str]:
    """Say where series cannot be compared, as they have frames of reference of their own."""
    stacks = list(images.stacks.values())
    if len({stack.identity.frame_of_reference_uid for stack in stacks}) <= 1:
        return []
    return [
        "The series have frames of reference of their own: landmarks of one plane are not carried"
        " to another, and distances are measured within one series only."
    ]


def _assumed(placed: Sequence[SpatialLandmark]) -> tuple[str, ...]:
    assumed = sum(not landmark.sd_stated for landmark in placed)
    if not assumed:
        return ()
    return (
        f"For {assumed} landmarks no deviation was stated; one of 0.5 mm in the image is assumed.",
    )


def _sources(figures: Published) -> tuple[str, ...]:
    return tuple(source.words for source in figures.source.values())


def _pictures(
    visits: Sequence[VisitImages],
    placed: Sequence[Sequence[SpatialLandmark]],
    roots: Sequence[RootSpace],
) -> list[CasePicture]:
    """Show each slice with a landmark on it, and those nearest to the predicted centres."""
    shown: dict[tuple[str, int], tuple[VisitImages, list[PictureMark]]] = {}
    for visit, landmarks in zip(visits, placed, strict=True):
        for landmark in landmarks:
            key = (landmark.where.sop_instance_uid, landmark.slice_index)
            entry = shown.setdefault(key, (visit, []))
            entry[1].append(PictureMark(landmark.name.replace("_", " "), landmark.pixel))
    outlines = _centre_outlines(visits[0], roots, shown)
    pictures = []
    for (uid, index), (visit, marks) in shown.items():
        stack = visit.stack_with(uid)
        pictures.append(
            CasePicture(
                where=visit.traced(stack, index),
                image=visit.pixels_of(stack).read([index])[0],
                grid=stack.frames[index].grid,
                marks=tuple(marks),
                outlines=tuple(outlines.get((uid, index), ())),
            )
        )
    return sorted(pictures, key=lambda picture: (picture.where.visit, picture.where.plane))


def _centre_outlines(
    images: VisitImages,
    roots: Sequence[RootSpace],
    shown: dict[tuple[str, int], tuple[VisitImages, list[PictureMark]]],
) -> dict[tuple[str, int], list[PictureOutline]]:
    """Project the predicted centres onto the nearest slice of each stack in their frame."""
    found: dict[tuple[str, int], list[PictureOutline]] = {}
    for root in roots:
        for number, centre in enumerate(root.centres):
            frame_of_reference = root.landmarks.frame_of_reference_uid
            for stack in images.stacks.values():
                if stack.identity.frame_of_reference_uid != frame_of_reference:
                    continue
                away = [abs(float(f.grid.off_plane_mm(centre.point_mm))) for f in stack.frames]
                index = away.index(min(away))
                grid = stack.frames[index].grid
                pixel, outline, off_mm = centre.on_image(grid)
                if not grid.contains((float(pixel[0]), float(pixel[1]))):
                    continue
                key = (stack.frames[index].sop_instance_uid, index)
                shown.setdefault(key, (images, []))
                unknown = "" if centre.spread_is_known else ", spread not known"
                label = f"{centre.source.short}, {abs(off_mm):.1f} mm off the slice{unknown}"
                drawn = outline if centre.spread_is_known else None
                found.setdefault(key, []).append(
                    PictureOutline(label, (float(pixel[0]), float(pixel[1])), drawn, number)
                )
    return found

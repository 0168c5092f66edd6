"""What a person still has to answer: landmarks to place, signs to confirm, facts to enter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, Root, RootSign, Seen, TearForm
from meniscal_measure.knee.named_landmarks import KneeLandmark
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.root_signs import SIGN_WORDS


@dataclass(frozen=True)
class OpenQuestion:
    """A question that only a person can answer.

    Parameters
    ----------
    key
        Where its answer stands in the file: "landmark.tear", "sign.ghost", "facts.age_years".
    text
        The question.
    why
        What the answer is needed for.
    plane
        Plane of the images it is answered on; None where no image is needed.
    choices
        The words to choose from; empty where a landmark is placed or a number entered.
    where
        The slice on which to look first; None where nothing is known of it.
    """

    key: str
    text: str
    why: str
    plane: Plane | None = None
    choices: tuple[str, ...] = ()
    where: TracedSlice | None = None


CENTRE, MIDDLE, MEASURED = "predicted_centre", "middle_of_the_plateau", "measured_slice"
"""Places near which to look that are no landmarks: see `LandmarkQuestion.near`."""

APEX_OF_SIDE, MARGIN_OF_SIDE = "{side}_eminence_apex", "{side}_cartilage_margin"
NEAR_ROOT = (KneeLandmark.ROOT_ATTACHMENT, KneeLandmark.POSTERIOR_HORN, CENTRE, APEX_OF_SIDE,
             MIDDLE)  # fmt: skip


@dataclass(frozen=True)
class LandmarkQuestion:
    """A landmark that is asked for.

    Parameters
    ----------
    name
        The landmark; {side} stands for the compartment of the root.
    plane
        Plane it is usually placed on.
    why
        What it is needed for.
    near
        Landmarks or other places on whose slice it is looked for; the first that is known counts.
    """

    name: str
    plane: Plane
    why: str
    near: tuple[str, ...]


def _asked(
    plane: Plane, why: str, near: tuple[str, ...], *names: str
) -> tuple[LandmarkQuestion, ...]:
    return tuple(LandmarkQuestion(name, plane, why, near) for name in names)


LANDMARK_QUESTIONS: tuple[LandmarkQuestion, ...] = (
    *_asked(Plane.CORONAL, "directions of the tibia", (MEASURED,),
            KneeLandmark.MEDIAL_PLATEAU_RIM, KneeLandmark.LATERAL_PLATEAU_RIM),
    *_asked(Plane.SAGITTAL, "predicted centre of the root", (MIDDLE,), APEX_OF_SIDE),
    *_asked(Plane.SAGITTAL, "height and check of the centre", NEAR_ROOT, MARGIN_OF_SIDE),
    *_asked(Plane.SAGITTAL, "check of the centre", NEAR_ROOT, KneeLandmark.CRUCIATE_MARGIN),
    *_asked(Plane.SAGITTAL, "ghost: the root slice", NEAR_ROOT, KneeLandmark.POSTERIOR_HORN),
    *_asked(Plane.SAGITTAL, "ghost: a slice beside the root slice",
            (KneeLandmark.POSTERIOR_HORN, *NEAR_ROOT),
            KneeLandmark.HORN_BESIDE_A, KneeLandmark.HORN_BESIDE_B),
    *_asked(Plane.SAGITTAL, "posterior extrusion", ("{side}_plateau",),
            KneeLandmark.POSTERIOR_PLATEAU_MARGIN, KneeLandmark.POSTERIOR_HORN_EDGE),
    *_asked(Plane.SAGITTAL, "anterior extrusion", ("{side}_plateau",),
            KneeLandmark.ANTERIOR_PLATEAU_MARGIN, KneeLandmark.ANTERIOR_HORN_EDGE),
    *_asked(Plane.SAGITTAL, "truncation: free edge of the triangle, on the slice of its outer edge",
            (KneeLandmark.POSTERIOR_HORN_EDGE,), KneeLandmark.HORN_FREE_EDGE),
    *_asked(Plane.AXIAL, "gap of the cleft", (KneeLandmark.TEAR, *NEAR_ROOT),
            KneeLandmark.CLEFT_EDGE_A),
    *_asked(Plane.AXIAL, "gap of the cleft, same slice", (KneeLandmark.CLEFT_EDGE_A, *NEAR_ROOT),
            KneeLandmark.CLEFT_EDGE_B),
    *_asked(Plane.AXIAL, "distance of the tear from the root, its sub-type",
            (KneeLandmark.CLEFT_EDGE_A, *NEAR_ROOT), KneeLandmark.TEAR,
            KneeLandmark.ROOT_ATTACHMENT),
    *_asked(Plane.SAGITTAL, "marrow oedema", NEAR_ROOT, KneeLandmark.FOOTPRINT_MARROW),
    *_asked(Plane.SAGITTAL, "marrow oedema, marrow away from the joint",
            (KneeLandmark.FOOTPRINT_MARROW, *NEAR_ROOT), KneeLandmark.REFERENCE_MARROW),
    *_asked(Plane.SAGITTAL, "planned tunnel, anteromedial cortex", (),
            KneeLandmark.TUNNEL_ENTRY),
    *_asked(Plane.CORONAL, "joint space, same slice", (MEASURED,),
            KneeLandmark.MEDIAL_FEMORAL_SURFACE, KneeLandmark.MEDIAL_TIBIAL_SURFACE,
            KneeLandmark.LATERAL_FEMORAL_SURFACE, KneeLandmark.LATERAL_TIBIAL_SURFACE),
    *_asked(Plane.SAGITTAL, "slope: axis of the tibia", (MIDDLE,),
            KneeLandmark.SHAFT_CENTRE_UPPER, KneeLandmark.SHAFT_CENTRE_LOWER),
    *_asked(Plane.SAGITTAL, "slope", ("medial_plateau",),
            KneeLandmark.MEDIAL_PLATEAU_FRONT, KneeLandmark.MEDIAL_PLATEAU_BACK),
    *_asked(Plane.SAGITTAL, "slope", ("lateral_plateau",),
            KneeLandmark.LATERAL_PLATEAU_FRONT, KneeLandmark.LATERAL_PLATEAU_BACK),
)  # fmt: skip
"""Landmarks that are asked for, those that most depends on first."""

LANDMARK_WORDS: Mapping[str, str] = {
    KneeLandmark.HORN_BESIDE_A: "posterior horn on the slice on one side of the root slice",
    KneeLandmark.HORN_BESIDE_B: "posterior horn on the slice on the other side of the root slice",
    KneeLandmark.HORN_FREE_EDGE: "free edge of the posterior horn",
    KneeLandmark.POSTERIOR_HORN_EDGE: "outer edge of the posterior horn",
    KneeLandmark.ANTERIOR_HORN_EDGE: "outer edge of the anterior horn",
    KneeLandmark.CLEFT_EDGE_A: "edge of the cleft on one side",
    KneeLandmark.CLEFT_EDGE_B: "edge of the cleft on the other side",
    KneeLandmark.FOOTPRINT_MARROW: "marrow at the footprint",
    KneeLandmark.REFERENCE_MARROW: "marrow away from the joint",
    KneeLandmark.SHAFT_CENTRE_UPPER: "centre of the tibial shaft, near the joint",
    KneeLandmark.SHAFT_CENTRE_LOWER: "centre of the tibial shaft, as far down as it is seen",
}
"""What to place, where the name of the landmark does not say it."""

SIGN_PLANES = {
    RootSign.GHOST: Plane.SAGITTAL,
    RootSign.CLEFT: Plane.SAGITTAL,
    RootSign.RADIAL: Plane.AXIAL,
    RootSign.TRUNCATION: Plane.CORONAL,
    RootSign.MARROW_OEDEMA: Plane.SAGITTAL,
    RootSign.GIRAFFE_NECK: Plane.CORONAL,
    RootSign.OCARINA: Plane.SAGITTAL,
}
"""Where a reader looks for a sign; extrusion is measured, not asked."""

FACT_QUESTIONS = {
    "cartilage_grade": "Worst cartilage of the compartment, Outerbridge 0 to 4?",
    "radiographic_grade": "Kellgren-Lawrence grade, 0 to 4?",
    "varus_deg": "Varus of the limb in degrees (negative is valgus)?",
    "body_mass_index": "Body mass index, kg/m²?",
    "age_years": "Age in years?",
    "tear_age_days": "Days since the event?",
}


def landmark_questions(root: Root) -> tuple[LandmarkQuestion, ...]:
    """Give the landmarks that are asked for where the case is about this root.

    Examples
    --------
    >>> [asked.name for asked in landmark_questions(Root.LATERAL_POSTERIOR)][2:4]
    ['lateral_eminence_apex', 'lateral_cartilage_margin']
    """
    side = root.compartment.value
    return tuple(
        LandmarkQuestion(
            asked.name.format(side=side), asked.plane, asked.why,
            tuple(place.format(side=side) for place in asked.near),
        )
        for asked in LANDMARK_QUESTIONS
    )  # fmt: skip


def sign_looks(root: Root) -> dict[RootSign, tuple[Plane, tuple[str, ...]]]:
    """Give the plane of each sign, and the places near which it is looked for."""
    near = tuple(place.format(side=root.compartment.value) for place in NEAR_ROOT)
    return {
        sign: (plane, (MEASURED,) if sign is RootSign.GIRAFFE_NECK else near)
        for sign, plane in SIGN_PLANES.items()
    }


def open_questions(
    answers: Answers,
    planes: Sequence[Plane],
    known: Sequence[str] = (),
    likely: Mapping[str, TracedSlice] = MappingProxyType({}),
) -> tuple[OpenQuestion, ...]:
    """List what has not been answered, in the order in which a person would go through it.

    Parameters
    ----------
    answers
        What was answered.
    planes
        Planes there are images of; what needs another plane is a gap of the study, no question.
    known
        Facts and landmarks known from the study itself.
    likely
        The slice on which to look first, by the key of the question.
    """
    placed = {landmark.name for landmark in answers.landmark} | set(known)
    found = [
        OpenQuestion(
            key := f"landmark.{asked.name}",
            f"Where is the {LANDMARK_WORDS.get(asked.name, asked.name.replace('_', ' '))}?",
            f"for: {asked.why}", asked.plane, where=likely.get(key),
        )
        for asked in landmark_questions(answers.case.root)
        if asked.name not in placed and asked.plane in planes
    ]  # fmt: skip
    found += [
        OpenQuestion(
            key := f"sign.{sign.value}", f"Is it present, absent or uncertain: {SIGN_WORDS[sign]}?",
            "root signs are confirmed by a reader", plane, tuple(Seen), likely.get(key),
        )
        for sign, plane in SIGN_PLANES.items()
        if sign not in answers.sign
    ]  # fmt: skip
    if answers.case.tear_form is None:
        found.append(
            OpenQuestion("case.tear_form", "Which form has the tear?", "its arthroscopic type",
                         choices=tuple(TearForm))
        )  # fmt: skip
    found += [
        OpenQuestion(f"facts.{fact}", text, "candidate facts")
        for fact, text in FACT_QUESTIONS.items()
        if getattr(answers.facts, fact) is None and fact not in known
    ]
    return tuple(found)


def answers_template(questions: Sequence[OpenQuestion], study_instance_uid: str = "") -> str:
    """Write a file to be filled in: every open question as a comment above its key.

    It names the study, so that its answers are not taken for those of another knee.
    """
    lines = [
        "# Answers for this case. Take the # away from what you answer; leave the rest.",
        "# A landmark: pixel = [column, row], pixel centres at whole numbers, as the review page",
        '# shows it; slice = "instance:7" (Instance Number), "17" (from the front, the right or',
        "# the feet) or a SOP Instance UID.",
        "",
    ]
    for table in ("case", "facts", "sign"):
        asked = [question for question in questions if question.key.startswith(f"{table}.")]
        lines.append(f"[{table}]")
        if table == "case" and study_instance_uid:
            lines.append(f'study = "{study_instance_uid}"')
        for question in asked:
            value = f' {{ seen = "{Seen.PRESENT}", by = "" }}' if table == "sign" else ""
            name = question.key.removeprefix(f"{table}.")
            lines += [f"# {_text(question)}", f"# {name} ={value}"]
        lines.append("")
    asked = [question for question in questions if question.key.startswith("landmark.")]
    if any(question.plane is None for question in asked):
        lines += [
            "# A calibration ball on the radiograph: place ball_edge_a and ball_edge_b too.",
            "# [radiograph]",
            "# ball_diameter_mm =",
            "",
        ]
    for question in asked:
        lines += [
            f"# {_text(question)} ({question.why})",
            "# [[landmark]]",
            f'# name = "{question.key.removeprefix("landmark.")}"',
            *_place(question),
            "# pixel = [, ]",
            '# by = ""',
            "",
        ]
    return "\n".join(lines)


def _place(question: OpenQuestion) -> list[str]:
    """Say where a landmark lies: the plane and a slice to be named, or a certain radiograph."""
    if question.plane is not None:
        return [f'# plane = "{question.plane.value}"', '# slice = "instance:"']
    uid = "" if question.where is None else question.where.sop_instance_uid
    return [f'# slice = "{uid}"']


def _text(question: OpenQuestion) -> str:
    if question.where is None or question.where.plane is None:
        return question.text
    return f"{question.text} Try {question.where}."

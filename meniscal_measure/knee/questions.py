"""What a person still has to answer: landmarks to place, signs to confirm, facts to enter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, RootSign
from meniscal_measure.knee.named_landmarks import KneeLandmark
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
    """

    key: str
    text: str
    why: str
    plane: Plane | None = None


LANDMARK_QUESTIONS: tuple[tuple[KneeLandmark, Plane, str], ...] = (
    (KneeLandmark.MEDIAL_PLATEAU_RIM, Plane.CORONAL, "directions of the tibia"),
    (KneeLandmark.LATERAL_PLATEAU_RIM, Plane.CORONAL, "directions of the tibia"),
    (KneeLandmark.MEDIAL_EMINENCE_APEX, Plane.SAGITTAL, "predicted centre of the root"),
    (KneeLandmark.MEDIAL_CARTILAGE_MARGIN, Plane.SAGITTAL, "height and check of the centre"),
    (KneeLandmark.CRUCIATE_MARGIN, Plane.SAGITTAL, "check of the centre"),
    (KneeLandmark.POSTERIOR_HORN, Plane.SAGITTAL, "ghost: root slice first, then two beside it"),
    (KneeLandmark.POSTERIOR_PLATEAU_MARGIN, Plane.SAGITTAL, "posterior extrusion"),
    (KneeLandmark.POSTERIOR_HORN_EDGE, Plane.SAGITTAL, "posterior extrusion"),
    (KneeLandmark.CLEFT_EDGE_A, Plane.AXIAL, "gap of the cleft"),
    (KneeLandmark.CLEFT_EDGE_B, Plane.AXIAL, "gap of the cleft, same slice"),
    (KneeLandmark.TEAR, Plane.AXIAL, "distance of the tear from the root, its sub-type"),
    (KneeLandmark.ROOT_ATTACHMENT, Plane.AXIAL, "distance of the tear from the root"),
    (KneeLandmark.FOOTPRINT_MARROW, Plane.SAGITTAL, "marrow oedema"),
    (KneeLandmark.REFERENCE_MARROW, Plane.SAGITTAL, "marrow oedema, marrow away from the joint"),
    (KneeLandmark.TUNNEL_ENTRY, Plane.SAGITTAL, "planned tunnel, anteromedial cortex"),
)
"""Landmarks that are asked for, with the plane they are usually placed on and their purpose."""

FACT_QUESTIONS = {
    "cartilage_grade": "Worst cartilage of the compartment, Outerbridge 0 to 4?",
    "radiographic_grade": "Kellgren-Lawrence grade, 0 to 4?",
    "varus_deg": "Varus of the limb in degrees (negative is valgus)?",
    "body_mass_index": "Body mass index, kg/m²?",
    "age_years": "Age in years?",
    "tear_age_days": "Days since the event?",
}


def open_questions(
    answers: Answers, planes: Sequence[Plane], known: Sequence[str] = ()
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
    """
    placed = {landmark.name for landmark in answers.landmark} | set(known)
    found = [
        OpenQuestion(f"landmark.{name.value}", f"Where is the {name.words}?", f"for: {why}", plane)
        for name, plane, why in LANDMARK_QUESTIONS
        if name.value not in placed and plane in planes
    ]
    found += [
        OpenQuestion(f"sign.{sign.value}", f"Is it present, absent or uncertain: {words}?",
                     "root signs are confirmed by a reader")
        for sign, words in SIGN_WORDS.items()
        if sign not in answers.sign and sign is not RootSign.EXTRUSION
    ]  # fmt: skip
    if answers.case.tear_form is None:
        found.append(
            OpenQuestion("case.tear_form", "Which form has the tear?", "its arthroscopic type")
        )
    found += [
        OpenQuestion(f"facts.{fact}", text, "candidate facts")
        for fact, text in FACT_QUESTIONS.items()
        if getattr(answers.facts, fact) is None and fact not in known
    ]
    return tuple(found)


def answers_template(questions: Sequence[OpenQuestion]) -> str:
    """Write a file to be filled in: every open question as a comment above its key."""
    lines = [
        "# Answers for this case. Take the # away from what you answer; leave the rest.",
        "# A landmark: pixel = [column, row], pixel centres at whole numbers, as the review page",
        '# shows it; slice = "instance:7" (Instance Number), "17" (from the front, the right or',
        "# the feet) or a SOP Instance UID.",
        "",
    ]
    for table in ("case", "facts", "sign"):
        asked = [question for question in questions if question.key.startswith(f"{table}.")]
        lines += [f"[{table}]", *(line for question in asked for line in _asked(question)), ""]
    for question in questions:
        if question.key.startswith("landmark."):
            plane = "" if question.plane is None else question.plane.value
            lines += [
                f"# {question.text} ({question.why})",
                "# [[landmark]]",
                f'# name = "{question.key.removeprefix("landmark.")}"',
                f'# plane = "{plane}"',
                '# slice = "instance:"',
                "# pixel = [, ]",
                '# by = ""',
                "",
            ]
    return "\n".join(lines)


def _asked(question: OpenQuestion) -> list[str]:
    table, _, name = question.key.partition(".")
    value = '{ seen = "present", by = "" }' if table == "sign" else ""
    return [f"# {question.text}", f"# {name} = {value}".rstrip()]

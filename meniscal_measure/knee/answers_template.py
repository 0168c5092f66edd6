"""The file of answers as it is first written: every open question as a comment above its key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from meniscal_measure.knee.answers import Seen
from meniscal_measure.knee.questions import OfferedTopic, OpenQuestion

HEAD = """\
# Answers for this case. Take the # away from what you answer; leave the rest.
# A landmark: pixel = [column, row], pixel centres at whole numbers, as the review page shows it;
# slice = "instance:7" (Instance Number), "17" (from the front, the right or the feet) or a SOP
# Instance UID.
"""


def answers_template(
    questions: Sequence[OpenQuestion],
    study_instance_uid: str = "",
    offered: Sequence[OfferedTopic] = (),
) -> str:
    """Write a file to be filled in: every open question as a comment above its key.

    It names the study, so that its answers are not taken for those of another knee, and the topics
    that are not asked unless requested.
    """
    lines = [HEAD, "[case]"]
    if study_instance_uid:
        lines.append(f'study = "{study_instance_uid}"')
    lines += _keys("case", questions)
    if offered:
        lines.append("# Asked only on request; name topics under `also` and run it again:")
        lines += [f"#   {each.topic}: {each.words} ({each.count})" for each in offered]
        lines.append("# also = []")
    for table in ("facts", "radiograph", "sign"):
        lines += ["", f"[{table}]", *_keys(table, questions)]
    for question in questions:
        if question.key.startswith(("landmark.", "follow_up.")):
            lines += ["", *_landmark(question)]
    return "\n".join([*lines, ""])


def _keys(table: str, questions: Sequence[OpenQuestion]) -> Iterator[str]:
    value = f' {{ seen = "{Seen.PRESENT}", by = "" }}' if table == "sign" else ""
    for question in questions:
        start, _, name = question.key.partition(".")
        if start == table:
            yield f"# {_text(question)}"
            yield f"# {name} ={value}"


def _landmark(question: OpenQuestion) -> Iterator[str]:
    table, _, name = question.key.partition(".")
    yield f"# {_text(question)} ({question.why})"
    yield "# [[landmark]]"
    yield f'# name = "{name}"'
    if table == "follow_up":
        yield '# visit = "follow_up"'
    if question.plane is None:
        uid = "" if question.where is None else question.where.sop_instance_uid
        yield f'# slice = "{uid}"'
    else:
        yield f'# plane = "{question.plane.value}"'
        yield '# slice = "instance:"'
    yield "# pixel = [, ]"
    yield '# by = ""'


def _text(question: OpenQuestion) -> str:
    return question.text if question.where is None else f"{question.text} Try {question.where}."

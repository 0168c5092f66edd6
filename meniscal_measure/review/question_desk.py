"""The questions of a case on a page: which there are, what was answered, and new answers."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from threading import Lock
from typing import Any

import msgspec

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import UsageError
from meniscal_measure.files import written_whole
from meniscal_measure.knee.answer_file import LANDMARKS, record_answer
from meniscal_measure.knee.answers import Answers, LandmarkAnswer, Topic, read_answers
from meniscal_measure.knee.answers_template import answers_template
from meniscal_measure.knee.quantity import Visit
from meniscal_measure.knee.questions import CaseQuestioning, OpenQuestion
from meniscal_measure.knee.topics import ON_RADIOGRAPHS, TOPICS
from meniscal_measure.records.signatures import check_reader
from meniscal_measure.review.present import Json
from meniscal_measure.review.question_views import QuestionViews
from meniscal_measure.workflow.case_questions import CaseQuestions
from meniscal_measure.workflow.case_radiographs import image_of

TOPIC = "topic"
"""First part of the key by which a topic is chosen or left out again."""


class QuestionDesk:
    """Asks the questions of one case, and writes what a reader answers into a file.

    The file is written with the open questions where it is not there.
    """

    is_blinded = False

    def __init__(self, questions: CaseQuestions, file: Path) -> None:
        self.questions, self._file = questions, file
        self._writing = Lock()
        self.views = QuestionViews(questions)
        self.finish: Callable[[], None] = lambda: None
        """Called when the reader finishes."""
        if not file.exists():
            asked, uid = questions.asked(Answers()), questions.images.identity.study_instance_uid
            with written_whole(file, owner_only=True) as stream:
                stream.write(answers_template(asked.open(), uid, asked.offered()).encode())

    @cached_property
    def planes(self) -> dict[str, Json]:
        """What the page needs to know of each view."""
        return {
            name: {"words": view.words, **view.on_page()} for name, view in self.views.named.items()
        }

    def listed(self) -> Json:
        """List all questions, answered or not, in the order in which a person goes through them.

        Beside them stand the topics that are asked about only on request.

        Raises
        ------
        MeniscalMeasureError
            If the file of answers was made unusable by hand.
        """
        return self._listed(read_answers(self._file))

    def _listed(self, answers: Answers) -> Json:
        asked = self.questions.asked(answers)
        return {
            "questions": [self._described(question, answers) for question in asked.every()],
            "topics": _topics(asked),
        }

    def _described(self, question: OpenQuestion, answers: Answers) -> Json:
        where, view = question.where, None
        if where is not None:
            view = self.views.name_of(where)
        elif question.plane is not None:
            view = self._view(question.plane, question.visit)
        return {
            "key": question.key,
            "text": question.text,
            "why": question.why,
            "plane": view,
            "slice": None if where is None else 1 if where.plane is None else where.name.number,
            "choices": question.choices,
            "answer": self._answer(question.key, answers),
        }

    def _view(self, plane: Plane, visit: Visit) -> str | None:
        name = plane.value if visit is Visit.BASELINE else f"{visit.words}-{plane.value}"
        return name if name in self.views.named else None

    def _answer(self, key: str, answers: Answers) -> Any:
        table, _, name = key.partition(".")
        if table not in LANDMARKS:
            found = msgspec.to_builtins(answers)[table].get(name)
            return found["seen"] if isinstance(found, dict) else found
        for answer in answers.landmark:
            if (answer.name, answer.visit) == (name, LANDMARKS[table]):
                return self._placed(answer)
        return None

    def _placed(self, answer: LandmarkAnswer) -> Json:
        """Say on which view and slice a landmark lies."""
        if answer.name in ON_RADIOGRAPHS:
            where, index = image_of(answer, self.questions.radiographs).where, 0
        else:
            later = self.questions.follow_up if answer.visit is Visit.FOLLOW_UP else None
            landmark = (later or self.questions.images).placed(answer)
            where, index = landmark.where, landmark.slice_index
        return {"plane": self.views.name_of(where), "index": index, "pixel": answer.pixel}

    def answer(self, key: str, given: Any, reader: str) -> Json:
        """Write an answer, or withdraw it with None; list the questions as they are then.

        Raises
        ------
        UsageError
            If there is no such question, or the reader has no name.
        InputError
            If the answer is not allowed.
        """
        check_reader(reader)
        with self._writing:
            table, _, name = key.partition(".")
            if table == TOPIC:
                key, value = "case.also", self._wanted(Topic(name), is_wanted=bool(given))
            else:
                value = self._value(table, given, reader)
                if key not in {question["key"] for question in self.listed()["questions"]}:
                    raise UsageError("There is no such question in this case.")
            return self._listed(record_answer(self._file, key, value, reader))

    def _wanted(self, topic: Topic, *, is_wanted: bool) -> list[str]:
        others = [each for each in read_answers(self._file).case.also if each is not topic]
        return [each.value for each in ([*others, topic] if is_wanted else others)]

    def _value(self, table: str, given: Any, reader: str) -> Any:
        if given is None:
            return None
        if table == "sign":
            return {"seen": given, "by": reader}
        if table not in LANDMARKS:
            return given
        index = given["index"]
        view = self.views.find(given["plane"], index)
        column, row = (round(float(part), 2) for part in given["pixel"])
        if not view.grid(index).contains((column, row)):
            raise UsageError("The landmark lies off the image. Place it on the slice.")
        return {**view.place(index), "pixel": [column, row], "by": reader}


def _topics(asked: CaseQuestioning) -> list[Json]:
    """List the topics that can be chosen, and those that were."""
    chosen = [topic for topic in asked.topics_asked if topic in asked.answers.case.also]
    listed = [(each.topic, each.words, each.count, False) for each in asked.offered()]
    listed += [(topic, TOPICS[topic].words, 0, True) for topic in chosen]
    order = list(TOPICS)
    return [
        {"key": f"{TOPIC}.{topic}", "words": words, "count": count, "is_chosen": is_chosen}
        for topic, words, count, is_chosen in sorted(listed, key=lambda one: order.index(one[0]))
    ]

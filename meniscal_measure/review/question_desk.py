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
from meniscal_measure.knee.answer_file import LANDMARK, record_answer
from meniscal_measure.knee.answers import Answers, read_answers
from meniscal_measure.knee.questions import OpenQuestion, answers_template
from meniscal_measure.records.signatures import check_reader
from meniscal_measure.report.window import display_window
from meniscal_measure.review.knee import middle_pixels
from meniscal_measure.review.present import Json, stack_on_page
from meniscal_measure.series.model import Stack
from meniscal_measure.workflow.case_questions import CaseQuestions, slice_words


class QuestionDesk:
    """Asks the questions of one case, and writes what a reader answers.

    Parameters
    ----------
    questions
        The case, read and measured.
    file
        Where the answers are kept; written with the open questions where it is not there.
    """

    is_blinded = False

    def __init__(self, questions: CaseQuestions, file: Path) -> None:
        self._questions, self._file = questions, file
        self._writing = Lock()
        self.finish: Callable[[], None] = lambda: None
        """Called when the reader has done what can be done."""
        if not file.exists():
            with written_whole(file, owner_only=True) as stream:
                stream.write(answers_template(questions.open(Answers())).encode())

    @property
    def stacks(self) -> dict[Plane, Stack]:
        """The series on which the questions are answered."""
        return self._questions.images.stacks

    @cached_property
    def planes(self) -> dict[str, Json]:
        """What the page needs to know of each series."""
        return {
            plane.value: {
                **stack_on_page(stack),
                "window": display_window(middle_pixels(stack)),
            }
            for plane, stack in self.stacks.items()
        }

    def listed(self) -> list[Json]:
        """List all questions, answered or not, in the order in which a person goes through them.

        Raises
        ------
        MeniscalMeasureError
            If the file of answers was made unusable by hand.
        """
        return self._listed(read_answers(self._file))

    def _listed(self, answers: Answers) -> list[Json]:
        still = {question.key: question for question in self._questions.open(answers)}
        every = self._questions.open(
            Answers(case=msgspec.structs.replace(answers.case, tear_form=None))
        )
        return [
            self._described(still.get(question.key, question), answers)
            for question in every
            if question.plane is not None or not question.key.startswith(LANDMARK)
        ]

    def _described(self, question: OpenQuestion, answers: Answers) -> Json:
        where = question.where
        return {
            "key": question.key,
            "text": question.text,
            "why": question.why,
            "plane": question.plane if question.plane in self.stacks else None,
            "slice": None if where is None else where.name.number,
            "choices": question.choices,
            "answer": self._answer(question.key, answers),
        }

    def _answer(self, key: str, answers: Answers) -> Any:
        table, _, name = key.partition(".")
        if table != LANDMARK:
            found = msgspec.to_builtins(answers)[table].get(name)
            return found["seen"] if isinstance(found, dict) else found
        for answer in answers.landmark:
            if answer.name == name:
                landmark = self._questions.images.placed(answer)
                return {
                    "plane": landmark.where.plane,
                    "index": landmark.slice_index,
                    "pixel": landmark.pixel,
                }
        return None

    def answer(self, key: str, given: Any, reader: str) -> list[Json]:
        """Write an answer, or take it back with None; give the questions as they are then.

        Raises
        ------
        UsageError
            If there is no such question, or the reader has no name.
        InputError
            If the answer is not allowed.
        """
        check_reader(reader)
        value = self._value(key.partition(".")[0], given, reader)
        with self._writing:
            if key not in {question["key"] for question in self.listed()}:
                raise UsageError("There is no such question in this case.")
            return self._listed(record_answer(self._file, key, value, reader))

    def _value(self, table: str, given: Any, reader: str) -> Any:
        if given is None:
            return None
        if table == "sign":
            return {"seen": given, "by": reader}
        if table != LANDMARK:
            return given
        stack, index = self.slice(given["plane"], given["index"])
        column, row = (round(float(part), 2) for part in given["pixel"])
        if not stack.frames[index].grid.contains((column, row)):
            raise UsageError("The landmark lies off the image. Place it on the slice.")
        return {
            "plane": given["plane"],
            "slice": slice_words(stack, index),
            "pixel": [column, row],
            "by": reader,
        }

    def slice(self, plane: str, index: int) -> tuple[Stack, int]:
        """Find a slice by its plane and its index.

        Raises
        ------
        UsageError
            If there is no such slice.
        """
        stack = self.stacks.get(Plane(plane))
        if stack is None or not 0 <= index < len(stack.frames):
            raise UsageError("There is no such slice.")
        return stack, index

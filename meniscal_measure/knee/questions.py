"""What a person still has to answer: landmarks to place, signs to confirm, facts to enter."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, RootSign, Seen, TearForm, Topic
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.knee.root_signs import SIGN_WORDS
from meniscal_measure.knee.topics import (
    FIRST_LANDMARKS,
    FIRST_SIGNS,
    LANDMARK_WORDS,
    NUMBER_WORDS,
    SIGN_PLANES,
    LandmarkQuestion,
    TopicQuestions,
    for_root,
    topics_of,
)


@dataclass(frozen=True)
class OpenQuestion:
    """A question that only a person can answer."""

    key: str
    """Where its answer stands in the file: "landmark.tear", "sign.ghost", "facts.age_years"."""
    text: str
    why: str
    """What the answer is needed for."""
    plane: Plane | None = None
    """Plane of the images it is answered on; None for a radiograph, and where none is needed."""
    choices: tuple[str, ...] = ()
    """The words to choose from; empty where a landmark is placed or a number entered."""
    where: TracedSlice | None = None
    """The slice on which to look first; None where nothing is known of it."""
    visit: Visit = Visit.BASELINE


@dataclass(frozen=True)
class OfferedTopic:
    """A topic that is asked about only on request."""

    topic: Topic
    words: str
    count: int
    """Questions it consists of."""


@dataclass(frozen=True)
class Available:
    """What there is to answer questions on, and which topics were requested."""

    baseline: Collection[Plane]
    follow_up: Collection[Plane] = ()
    radiograph: TracedSlice | None = None
    """The one to look on first."""
    wanted: Collection[Topic] = ()

    def shows(self, asked: LandmarkQuestion) -> bool:
        """Whether there are images on which this landmark is placed."""
        if asked.plane is None:
            return self.radiograph is not None
        planes = self.baseline if asked.visit is Visit.BASELINE else self.follow_up
        return asked.plane in planes

    def can_ask(self, topic: TopicQuestions) -> bool:
        """Whether anything of a topic can be answered."""
        return bool(topic.signs) or any(map(self.shows, topic.landmarks))


class CaseQuestioning:
    """The questions of a case, as far as its answers call for them.

    What needs other images than are available is a gap of the study, no question. `known` are the
    keys of what follows from the study itself, `likely` the slices on which to look first.
    """

    def __init__(
        self,
        answers: Answers,
        available: Available,
        known: Collection[str] = (),
        likely: Mapping[str, TracedSlice] = MappingProxyType({}),
    ) -> None:
        self.answers, self.available, self.known, self.likely = answers, available, known, likely
        self.answered = set(answered_keys(answers))
        self.topics = {
            topic: asked
            for topic, asked in topics_of(answers.case.root).items()
            if available.can_ask(asked)
        }
        self.topics_asked = [topic for topic in self.topics if self._is_asked(topic)]

    def every(self) -> tuple[OpenQuestion, ...]:
        """List the questions, answered or not, in the order in which a person goes through them.

        What most others depend on comes first; each question once.
        """
        found = [
            *self._landmarks(for_root(FIRST_LANDMARKS, self.answers.case.root)),
            *map(self._sign, FIRST_SIGNS),
            *self._form(),
        ]
        called_for = [topic for topic in self.topics_asked if self.topics[topic].after]
        for topic in called_for:
            found += self._topic(topic)
        found += [_number(key) for key in NUMBER_WORDS if self._is_fact(key)]
        for topic in self.topics_asked:
            if topic not in called_for:
                found += self._topic(topic)
        return tuple({asked.key: asked for asked in found if asked.key not in self.known}.values())

    def open(self) -> tuple[OpenQuestion, ...]:
        """List the questions that are not answered."""
        return tuple(asked for asked in self.every() if asked.key not in self.answered)

    def offered(self) -> tuple[OfferedTopic, ...]:
        """List the topics that are not asked about."""
        return tuple(
            OfferedTopic(topic, asked.words, len(self._topic(topic)))
            for topic, asked in self.topics.items()
            if topic not in self.topics_asked
        )

    def _is_asked(self, topic: Topic) -> bool:
        """Whether a topic is wanted, called for by a sign, or begun."""
        asked = self.topics[topic]
        called_for = any(self._is_seen(sign) for sign in asked.after)
        others = {
            mark.key for other, named in self.topics.items() if other is not topic
            for mark in named.landmarks
        }  # fmt: skip
        own = {mark.key for mark in asked.landmarks} - others
        signs = {f"sign.{sign}" for sign in asked.signs}
        is_wanted = topic in self.answers.case.also or topic in self.available.wanted
        return is_wanted or called_for or bool(self.answered & (own | signs))

    def _is_seen(self, sign: RootSign) -> bool:
        said = self.answers.sign.get(sign)
        return said is not None and said.seen is not Seen.ABSENT

    def _is_fact(self, key: str) -> bool:
        """Whether a number is asked in every case; the leg gives the varus where it is measured."""
        is_measured = key == "facts.varus_deg" and Topic.LEG in self.topics_asked
        return key.startswith("facts.") and (not is_measured or key in self.answered)

    def _topic(self, topic: Topic) -> list[OpenQuestion]:
        asked = self.topics[topic]
        return [
            *map(self._sign, asked.signs),
            *map(_number, asked.numbers),
            *self._landmarks(asked.landmarks),
        ]

    def _landmarks(self, landmarks: Iterable[LandmarkQuestion]) -> list[OpenQuestion]:
        return [self._landmark(asked) for asked in landmarks if self.available.shows(asked)]

    def _landmark(self, asked: LandmarkQuestion) -> OpenQuestion:
        words = LANDMARK_WORDS.get(asked.name, asked.name.replace("_", " "))
        later = " at follow-up" if asked.visit is Visit.FOLLOW_UP else ""
        where = self.available.radiograph if asked.plane is None else self.likely.get(asked.key)
        return OpenQuestion(
            asked.key, f"Where is the {words}{later}?", f"for: {asked.why}", asked.plane,
            where=where, visit=asked.visit,
        )  # fmt: skip

    def _sign(self, sign: RootSign) -> OpenQuestion:
        key, words = f"sign.{sign.value}", SIGN_WORDS[sign]
        return OpenQuestion(
            key, f"{words[0].upper()}{words[1:]}?", "root signs are confirmed by a reader",
            SIGN_PLANES[sign], tuple(Seen), self.likely.get(key),
        )  # fmt: skip

    def _form(self) -> Iterable[OpenQuestion]:
        """Ask for the form of the tear where a sign of one is seen, or a form was answered."""
        seen = any(map(self._is_seen, FIRST_SIGNS[:4]))
        if seen or self.answers.case.tear_form is not None:
            yield OpenQuestion("case.tear_form", "What form does the tear have?",
                               "its arthroscopic type", choices=tuple(TearForm))  # fmt: skip


def _number(key: str) -> OpenQuestion:
    why = "for: candidate facts" if key.startswith("facts.") else "for: lengths on the radiograph"
    return OpenQuestion(key, NUMBER_WORDS[key], why)


def answered_keys(answers: Answers) -> Iterable[str]:
    """Give the keys of the questions that were answered.

    Examples
    --------
    >>> from meniscal_measure.knee.answers import FactAnswers
    >>> list(answered_keys(Answers(facts=FactAnswers(age_years=57))))
    ['facts.age_years']
    """
    for mark in answers.landmark:
        table = "landmark" if mark.visit is Visit.BASELINE else mark.visit.value
        yield f"{table}.{mark.name}"
    yield from (f"sign.{sign.value}" for sign in answers.sign)
    for key in ("case.tear_form", *NUMBER_WORDS):
        table, _, name = key.partition(".")
        if getattr(getattr(answers, table), name) is not None:
            yield key

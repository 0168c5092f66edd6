"""The reader's desk: which knee comes next, what is on it, and what was signed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from meniscal_measure.errors import UsageError
from meniscal_measure.records.journal import Journal, Signing, Verdict
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from meniscal_measure.records.signing import check_reader, signed_by
from meniscal_measure.review.drafts import Draft, DraftKey, Drafts
from meniscal_measure.review.knee import OpenKnee, Propose, blinded
from meniscal_measure.review.knees import Knees
from meniscal_measure.review.measuring import measure_state
from meniscal_measure.review.plan import Task, plan
from meniscal_measure.review.signing import (
    Terms,
    measured_content,
    rejected_content,
    why_not_signed,
)
from meniscal_measure.review.state import State, first_state, state_from_dict
from meniscal_measure.review.worklist import Knee


@dataclass(frozen=True)
class Place:
    """One task of a reader together with the knee it is about, opened.

    `shown` is what the page is made from; while blinded it lacks identity and proposal.
    """

    key: TaskKey
    label: str
    knee: OpenKnee
    shown: OpenKnee

    @property
    def draft(self) -> DraftKey:
        """What the working state belongs to."""
        return DraftKey(self.key, self.knee.images)


class Desk:
    """Brings work list, store and knees together for any number of readers.

    Parameters
    ----------
    knees
        The work list.
    store_path
        Where signings and working states are kept.
    terms
        Conventions and blinding; a store keeps to those it was begun with.
    propose
        Proposes landmarks on knees without a landmark file.
    """

    def __init__(
        self,
        knees: Sequence[Knee],
        store_path: Path,
        terms: Terms,
        *,
        propose: Propose | None = None,
    ) -> None:
        self.knees = tuple(knees)
        self.terms = terms
        plan([knee.name for knee in knees], "", terms.blinding, "")  # refuses too many repeats
        self.store = SignedStore(store_path, _about(self.knees, terms))
        self.journal = Journal(self.store)
        self.drafts = Drafts(self.store)
        self._open = Knees(propose)
        self._plans: dict[str, dict[str, tuple[int, Task]]] = {}

    @property
    def is_blinded(self) -> bool:
        """Whether readers must not know whose knee they read."""
        return self.terms.blinding is not None

    def tasks(self, reader: str) -> list[dict[str, str]]:
        """List the readings asked of a reader, in order, with what has become of each."""
        begun = self.drafts.begun(reader)
        verdicts = self.journal.verdicts(reader)
        listed = []
        for number, task in self._plan(reader).values():
            place = self.knees[task.knee].name, task.round
            status = verdicts.get(place) or ("begun" if place in begun else "")
            listed.append(
                {"id": task.task_id, "label": self._label(number, task), "status": status}
            )
        return listed

    def key(self, reader: str, task_id: str) -> TaskKey:
        """Find what a task of a reader stands for.

        Raises
        ------
        UsageError
            If the reader has no such task.
        """
        _, task = self._task(reader, task_id)
        return TaskKey(reader, self.knees[task.knee].name, task.round)

    def place(self, reader: str, task_id: str, series: str = "") -> Place:
        """Open the knee of a task, with its proposal unless the reader must not see it.

        Parameters
        ----------
        reader, task_id
            Whose task.
        series
            Which coronal series of it; by default the one the reader was last on, else the one
            the program chooses.

        Raises
        ------
        MeniscalMeasureError
            If the reader has no such task or the images cannot be used.
        """
        if self.is_blinded:
            return self.glance(reader, task_id)
        return self._placed(reader, task_id, series, self._open.whole)

    def glance(self, reader: str, task_id: str, series: str = "") -> Place:
        """Open the knee of a task without waiting for a proposal; see `place`.

        Raises
        ------
        MeniscalMeasureError
            If the reader has no such task or the images cannot be used.
        """
        return self._placed(reader, task_id, series, self._open.glance)

    def _placed(
        self, reader: str, task_id: str, series: str, opened: Callable[[Knee], OpenKnee]
    ) -> Place:
        number, task = self._task(reader, task_id)
        key = self.key(reader, task_id)
        listed = self.knees[task.knee]
        asked = "" if self.is_blinded else series or self.drafts.last_images(key)
        is_usual = asked in ("", self._open.glance(listed).images)
        knee = opened(listed if is_usual else replace(listed, series=asked))
        return Place(
            key=key,
            label=self._label(number, task),
            knee=knee,
            shown=blinded(knee) if self.is_blinded else knee,
        )

    def prepare_first(self) -> None:
        """Open the first knee of the list in the background, while the browser starts."""
        self._open.prepare(self.knees[0])

    def prepare_next(self, reader: str, after: str) -> None:
        """Open the reader's next unsigned knee in the background, while this one is read."""
        done = self.journal.verdicts(reader)
        number, _ = self._task(reader, after)
        for _, task in list(self._plan(reader).values())[number:]:
            if (self.knees[task.knee].name, task.round) not in done:
                self._open.prepare(self.knees[task.knee])
                return

    def begin(self, place: Place) -> Draft:
        """Take up the working state of a task where it was left."""
        first = first_state(place.shown.proposal, place.knee.grids)
        return self.drafts.begin(place.draft, json.dumps(first.as_dict()))

    def state(self, place: Place, content: Any) -> State:
        """Take a working state from what the page sent."""
        return state_from_dict(content, place.knee.grids)

    def sign(self, place: Place, revision: int) -> Signing | str:
        """Sign the working state as it is stored, or say in words what is missing.

        Raises
        ------
        StaleStateError
            If the working state has moved on since `revision`.
        OutputError
            If it cannot be stored; nothing is signed then.
        """
        state = self.state(place, json.loads(self.begin(place).state))
        # While blinded the slice is the reader's own choice, even where the proposal agrees.
        own = replace(place.knee, proposal=place.shown.proposal)
        measured = measure_state(own, state, self.terms.conventions)
        refusal = why_not_signed(state, measured)
        if refusal or measured.reading is None:
            return refusal
        quality = tuple(code.value for code in state.quality)
        reading = signed_by(measured.reading, place.key.reader, quality, state.remark)
        before = self._before(place)
        whole = self._open.whole(place.knee.knee)  # the record holds the proposal, seen or not
        content = measured_content(whole, state, reading, self.terms, before)
        with self.store.writing() as connection:
            self.drafts.signed(connection, place.draft, revision)
            return self.journal.append(connection, place.key, Verdict.MEASURED, content)

    def reject(self, key: TaskKey, rejection: str) -> Signing:
        """Sign that a knee that cannot be opened is not measured, with the reason."""
        content = rejected_content(None, None, self.terms, _reason(rejection))
        with self.store.writing() as connection:
            return self.journal.append(connection, key, Verdict.REJECTED, content)

    def reject_seen(self, place: Place, rejection: str, revision: int) -> Signing:
        """Sign that a knee is not measured, with the reason and what the reader saw.

        Raises
        ------
        StaleStateError
            If the working state has moved on since.
        """
        state = json.loads(self.drafts.at(place.draft, revision).state)
        content = rejected_content(place.knee, state, self.terms, _reason(rejection))
        with self.store.writing() as connection:
            self.drafts.signed(connection, place.draft, revision)
            return self.journal.append(connection, place.key, Verdict.REJECTED, content)

    def _before(self, place: Place) -> State:
        earlier = self.journal.latest(place.key)
        if earlier is not None and earlier.verdict is Verdict.MEASURED:
            record = earlier.record
            if record["series"]["key"] == place.knee.images:
                return self.state(place, record["state"])
        return self.state(place, json.loads(self.drafts.first(place.draft)))

    def _plan(self, reader: str) -> dict[str, tuple[int, Task]]:
        if reader not in self._plans:
            check_reader(reader)
            names = [knee.name for knee in self.knees]
            tasks = plan(names, reader, self.terms.blinding, self.store.about["secret"])
            self._plans[reader] = {
                task.task_id: (number, task) for number, task in enumerate(tasks, start=1)
            }
        return self._plans[reader]

    def _task(self, reader: str, task_id: str) -> tuple[int, Task]:
        try:
            return self._plan(reader)[task_id]
        except KeyError:
            raise UsageError("There is no such knee on this reader's list.") from None

    def _label(self, number: int, task: Task) -> str:
        return f"Knee {number}" if self.is_blinded else self.knees[task.knee].name


def _reason(rejection: str) -> str:
    if not rejection.strip():
        raise UsageError("Give the reason for which the knee is rejected.")
    return rejection.strip()


def _about(knees: Sequence[Knee], terms: Terms) -> dict[str, str]:
    """List the settings a store keeps to; a blinded plan holds for its own knees only."""
    names = json.dumps([knee.name for knee in knees])
    digest = hashlib.sha256(names.encode()).hexdigest()[:16]
    return {
        "conventions": json.dumps(terms.conventions.asked()),
        "blinding": json.dumps(None if terms.blinding is None else asdict(terms.blinding)),
        "knees": "any" if terms.blinding is None else digest,
    }

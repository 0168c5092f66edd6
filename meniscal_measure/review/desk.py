"""The reader's desk: which knee comes next, what is on it, and what has become of it."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.records.journal import Journal, SigningSummary
from meniscal_measure.records.signatures import check_reader
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from meniscal_measure.review.drafts import Draft, DraftKey, Drafts
from meniscal_measure.review.knee import OpenKnee, Propose, blinded
from meniscal_measure.review.open_knees import OpenKnees
from meniscal_measure.review.reading_plan import Task, plan
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.state import State, first_state, state_from_dict
from meniscal_measure.review.visits import Visits
from meniscal_measure.review.worklist import Knee

if TYPE_CHECKING:
    from meniscal_measure.review.sending import Destination, Sender

PREPARED = 2
"""Knees prepared ahead of the one in view: a reader who is quicker than one proposal still finds
the next one ready."""


@dataclass(frozen=True)
class OpenTask:
    """One task of a reader together with the knee it is about, opened.

    `shown` is what the page is made from; while blinded it lacks identity and proposal.
    """

    key: TaskKey
    label: str
    listed: Knee
    """As the work list has it, with the series the reader chose."""
    knee: OpenKnee
    shown: OpenKnee

    @property
    def first_state(self) -> State:
        """What the reader begins with."""
        shown = self.shown
        proposal = None if shown.proposal is None else shown.proposal.landmarks
        return first_state(proposal, shown.grids, shown.likely_slice)

    @property
    def draft(self) -> DraftKey:
        """What the working state belongs to."""
        return DraftKey(self.key, self.knee.images)


class Desk:
    """Brings work list, store and knees together for any number of readers.

    Signings and working states are kept in the store, which keeps to the terms it was begun with;
    what is signed is sent to the destination, if there is one.

    Raises
    ------
    UsageError
        If what is signed cannot be sent because the patients must not be named.
    """

    def __init__(
        self,
        knees: Sequence[Knee],
        store_path: Path,
        terms: Terms,
        *,
        propose: Propose | None = None,
        destination: Destination | None = None,
    ) -> None:
        self.knees = tuple(knees)
        self.terms = terms
        plan([knee.name for knee in knees], "", terms.blinding, "")  # refuses too many repeats
        self.store = SignedStore(store_path, _about(self.knees, terms))
        self.journal = Journal(self.store)
        self.drafts = Drafts(self.store)
        self.opened = OpenKnees(propose)
        self.visits = Visits(self.knees)
        self.sender = None if destination is None else self._sender(destination)
        self._plans: dict[str, dict[str, tuple[int, Task]]] = {}

    def _sender(self, destination: Destination) -> Sender:
        if self.is_blinded:
            raise UsageError("A blinded reading is not sent: an archive files it with its patient.")
        from meniscal_measure.review.sending import Sender  # needs the extra `archive`

        studies = {knee.name: knee.study for knee in self.knees}
        folder = self.store.path.with_name(f"{self.store.path.name}.sent")
        sender = Sender(destination, self.journal, studies, folder)
        sender.start()
        return sender

    @property
    def is_blinded(self) -> bool:
        """Whether readers must not know whose knee they read."""
        return self.terms.blinding is not None

    def tasks(self, reader: str) -> list[dict[str, Any]]:
        """List the readings asked of a reader, in order, with what has become of each."""
        begun = self.drafts.begun(reader)
        outcomes = self.journal.outcomes()
        differing = set() if self.is_blinded else _differing(outcomes)
        listed = []
        for number, task in self._plan(reader).values():
            key = self._key(reader, task)
            status = "begun" if (key.knee, key.round) in begun else ""
            outcome = outcomes.get(key)
            is_above = outcome is not None and any(outcome.flags.values())
            listed.append(
                {
                    "id": task.task_id,
                    "label": self._label(number, task),
                    "status": status if outcome is None else outcome.verdict,
                    "is_flagged": is_above and not self.is_blinded,
                    "is_disagreeing": key.knee in differing,
                    "reading_time_s": 0.0 if outcome is None else outcome.reading_time_s,
                }
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
        return self._key(reader, task)

    def _key(self, reader: str, task: Task) -> TaskKey:
        return TaskKey(reader, self.knees[task.knee].name, task.round)

    def place(self, reader: str, task_id: str, series: str = "") -> OpenTask:
        """Open the knee of a task, with its proposal if that has been made.

        `series` says which coronal series; by default it is the one the reader was last on, else
        the one the program chooses.

        Raises
        ------
        MeniscalMeasureError
            If the reader has no such task or the images cannot be used.
        """
        number, task = self._task(reader, task_id)
        key = self._key(reader, task)
        listed = self.knees[task.knee]
        asked = "" if self.is_blinded else series or self.drafts.last_images(key)
        if asked not in ("", self.opened.headers(listed).images):
            listed = replace(listed, series=asked)
        knee = self.opened.at_once(listed)
        return self._with(OpenTask(key, self._label(number, task), listed, knee, knee), knee)

    def complete(self, place: OpenTask) -> OpenTask:
        """Wait for the proposal on the knee of a place."""
        if place.knee.is_complete:
            return place
        return self._with(place, self.opened.whole(place.listed))

    def awaited(self, place: OpenTask) -> OpenTask | None:
        """Wait for the proposal as long as its reader stays with the knee, or comes to it next."""
        knee = self.opened.while_wanted(place.key.reader, place.listed)
        return None if knee is None else self._with(place, knee)

    def _with(self, place: OpenTask, knee: OpenKnee) -> OpenTask:
        return replace(place, knee=knee, shown=blinded(knee) if self.is_blinded else knee)

    @property
    def proposes(self) -> bool:
        """Whether a reader may ask the program to propose."""
        return self.opened.propose is not None and not self.is_blinded

    def propose_on(self, place: OpenTask, index: int) -> OpenTask:
        """Let the program propose on the slice that the reader named.

        Raises
        ------
        UsageError
            If nothing is proposed to this reader.
        InputError
            If nothing can be proposed there; it says why.
        """
        if not self.proposes:
            raise UsageError("Nothing is proposed to the readers of this list.")
        return self._with(place, self.opened.on_slice(place.listed, index))

    def as_proposed(self, place: OpenTask, state: State) -> OpenTask:
        """Bring back what was proposed on the measured slice, where the reader named it."""
        is_known = place.knee.proposal_on(state.slice_index) is not None
        if is_known or not state.proposed_landmarks or not self.proposes:
            return place
        try:
            return self.propose_on(place, state.slice_index)
        except InputError:  # taken over from a neighbour of the slice that was proposed
            return place

    def prepare_first(self) -> None:
        """Open the first knees of the list in the background, while the browser starts."""
        self.opened.want("", self.knees[: 1 + PREPARED])

    def prepare_from(self, place: OpenTask, task_id: str) -> None:
        """Open the knee in view and the reader's next unsigned ones in the background."""
        reader = place.key.reader
        outcomes = self.journal.outcomes()
        number, _ = self._task(reader, task_id)
        later = (
            self.knees[task.knee]
            for _, task in list(self._plan(reader).values())[number:]
            if self._key(reader, task) not in outcomes
        )
        upcoming = [knee for knee, _ in zip(later, range(PREPARED), strict=False)]
        self.opened.want("", ())  # the browser has started
        self.opened.want(reader, [place.listed, *upcoming])

    def begin(self, place: OpenTask) -> Draft:
        """Take up the working state of a task where it was left."""
        return self.drafts.begin(place.draft, json.dumps(place.first_state.as_dict()))

    def begin_again(self, place: OpenTask, revision: int) -> Draft:
        """Begin with what is proposed in place of the empty state that was begun with.

        Raises
        ------
        StaleStateError
            If the reader has changed something since `revision`.
        """
        first = json.dumps(place.first_state.as_dict())
        return self.drafts.begin_again(place.draft, revision, first)

    def hides_mm(self, place: OpenTask, state: State) -> bool:
        """Whether the reader must not see the millimetres of a state, as it is not signed."""
        if not self.terms.hides_mm:
            return False
        latest = self.journal.latest(place.key)
        return latest is None or latest.record["state"] != state.as_dict()

    def state(self, place: OpenTask, content: Any) -> State:
        """Take a working state from what the page sent."""
        return state_from_dict(content, place.knee.grids)

    def _plan(self, reader: str) -> dict[str, tuple[int, Task]]:
        if reader not in self._plans:
            check_reader(reader)
            names = [knee.name for knee in self.knees]
            tasks = plan(names, reader, self.terms.blinding, self.store.about["secret"])
            self._plans[reader] = {each.task_id: (n, each) for n, each in enumerate(tasks, start=1)}
        return self._plans[reader]

    def _task(self, reader: str, task_id: str) -> tuple[int, Task]:
        try:
            return self._plan(reader)[task_id]
        except KeyError:
            raise UsageError("There is no such knee on this reader's list.") from None

    def _label(self, number: int, task: Task) -> str:
        return f"Knee {number}" if self.is_blinded else self.knees[task.knee].name


def _differing(outcomes: Mapping[TaskKey, SigningSummary]) -> set[str]:
    """Knees of which readings differ: above the threshold or not, or measured or rejected."""
    found: dict[str, list[SigningSummary]] = defaultdict(list)
    for key, outcome in outcomes.items():
        found[key.knee].append(outcome)
    return {
        knee
        for knee, each in found.items()
        if any((one.verdict, one.flags) != (each[0].verdict, each[0].flags) for one in each)
    }


def _about(knees: Sequence[Knee], terms: Terms) -> dict[str, str]:
    """List the settings a store keeps to; a blinded plan holds for its own knees only."""
    names = json.dumps([knee.name for knee in knees])
    digest = hashlib.sha256(names.encode()).hexdigest()[:16]
    return {
        "conventions": json.dumps(terms.conventions.asked()),
        "blinding": json.dumps(None if terms.blinding is None else asdict(terms.blinding)),
        "knees": "any" if terms.blinding is None else digest,
    }

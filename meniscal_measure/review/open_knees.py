"""The knees that are open: headers at once, proposals in the background, those wanted first.

One thread makes the proposals. What a reader wants is the knee in view and the next ones; work for
a knee that nobody wants any more is dropped before it begins.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import replace
from threading import Condition, Lock, Thread
from typing import Generic, TypeVar

from meniscal_measure.review.knee import OpenKnee, Propose, open_knee, propose_on, with_proposal
from meniscal_measure.review.worklist import Knee

Key = TypeVar("Key")

MAX_OPEN = 8
"""Knees held in memory: those read, the next ones, those of other readers. Pixels are not held."""


class _Recent(Generic[Key]):
    """The newest results; the oldest are dropped."""

    def __init__(self) -> None:
        self._found: OrderedDict[Key, Future[OpenKnee]] = OrderedDict()

    def get(self, key: Key) -> Future[OpenKnee] | None:
        if key in self._found:
            self._found.move_to_end(key)
        return self._found.get(key)

    def put(self, key: Key, result: Future[OpenKnee]) -> None:
        self._found[key] = result
        while len(self._found) > MAX_OPEN:
            self._found.popitem(last=False)


class OpenKnees:
    """Opens knees and holds them open for a while.

    `propose` proposes landmarks on knees without a landmark file; None proposes nothing.
    """

    def __init__(self, propose: Propose | None) -> None:
        self.propose = propose
        self._headers, self._wholes = _Recent[Knee](), _Recent[Knee]()
        self._on_slices = _Recent[tuple[Knee, int]]()
        self._reading, self._on_slice = Lock(), Lock()
        self._changed = Condition()
        self._wanted: dict[str, tuple[Knee, ...]] = {}
        self._awaited: list[Knee] = []
        self._worker: Thread | None = None

    def headers(self, knee: Knee) -> OpenKnee:
        """Open a knee as far as its headers go.

        Raises
        ------
        MeniscalMeasureError
            If it cannot be opened.
        """
        with self._reading:  # two requests for a knee do not read its headers twice
            result = self._headers.get(knee)
            if result is None:
                result = _done(open_knee, knee)
                if result.exception() is None:  # a study that is being copied is tried again
                    self._headers.put(knee, result)
        return result.result()

    def at_once(self, knee: Knee) -> OpenKnee:
        """Open a knee, with its proposal if that is there or needs no pixels."""
        opened = self.headers(knee)
        with self._changed:
            result = self._wholes.get(knee)
            if result is None and (self.propose is None or opened.knee.landmarks is not None):
                result = _done(with_proposal, opened, None)
                self._wholes.put(knee, result)
        return opened if result is None else result.result()

    def whole(self, knee: Knee) -> OpenKnee:
        """Open a knee and wait for its proposal, wanted or not."""
        self.at_once(knee)
        with self._changed:
            self._awaited.append(knee)
            try:
                self._work()
                self._changed.wait_for(lambda: self._wholes.get(knee) is not None)
                found = self._wholes.get(knee)
            finally:
                self._awaited.remove(knee)
        assert found is not None
        return found.result()

    def on_slice(self, knee: Knee, index: int) -> OpenKnee:
        """Open a knee with what is proposed on the slice of an index.

        Raises
        ------
        InputError
            If nothing can be proposed there; it says why.
        """
        opened = self.at_once(knee)
        with self._on_slice:
            result = self._on_slices.get((knee, index))
            if result is None:
                result = _done(self._proposed_on, opened, index)
                self._on_slices.put((knee, index), result)
        return replace(opened, on_slices=result.result().on_slices)

    def _proposed_on(self, opened: OpenKnee, index: int) -> OpenKnee:
        assert self.propose is not None
        return replace(opened, on_slices={index: propose_on(opened, self.propose, index)})

    def want(self, who: str, knees: Sequence[Knee]) -> None:
        """Prepare these knees in this order, and no longer those that `who` wanted before."""
        with self._changed:
            self._wanted[who] = tuple(knees)
            self._work()
            self._changed.notify_all()

    def while_wanted(self, who: str, knee: Knee) -> OpenKnee | None:
        """Wait for the proposal on a knee; None once `who` does not want it any more."""
        self.at_once(knee)
        with self._changed:
            self._changed.wait_for(
                lambda: self._wholes.get(knee) is not None or knee not in self._wanted.get(who, ())
            )
            found = self._wholes.get(knee)
        return None if found is None else found.result()

    def _work(self) -> None:
        """Start the thread with the first work there is."""
        if self._worker is None:
            self._worker = Thread(target=self._make_proposals, daemon=True)
            self._worker.start()
        self._changed.notify_all()

    def _make_proposals(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: next(self._due(), None) is not None)
                knee = next(self._due())
            result = _done(self._proposed, knee)
            with self._changed:
                self._wholes.put(knee, result)
                self._changed.notify_all()

    def _proposed(self, knee: Knee) -> OpenKnee:
        return with_proposal(self.headers(knee), self.propose)

    def _due(self) -> Iterator[Knee]:
        """Knees without a proposal: those waited for, then the first of each reader, and so on."""
        yield from (knee for knee in self._awaited if self._wholes.get(knee) is None)
        lists = list(self._wanted.values())
        for rank in range(max(map(len, lists), default=0)):
            for wanted in lists:
                if rank < len(wanted) and self._wholes.get(wanted[rank]) is None:
                    yield wanted[rank]


def _done(act: Callable[..., OpenKnee], *given: object) -> Future[OpenKnee]:
    """Do something now and hold what came of it, an error included."""
    result: Future[OpenKnee] = Future()
    try:
        result.set_result(act(*given))
    except BaseException as error:  # raised again where the knee is asked for
        result.set_exception(error)
    return result

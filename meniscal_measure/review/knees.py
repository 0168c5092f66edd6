"""The knees that are open: headers at once, proposals when they are ready, the next one early."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from threading import Lock, Thread

from meniscal_measure.errors import MeniscalMeasureError
from meniscal_measure.review.knee import OpenKnee, Propose, open_knee, with_proposal
from meniscal_measure.review.worklist import Knee

KEPT = 6
"""Knees kept in memory: the one read, the next, those of other readers. Pixels are not kept."""


class _Kept:
    """Remembers the newest results of a slow function; each is computed once, one at a time."""

    def __init__(self, compute: Callable[[Knee], OpenKnee]) -> None:
        self._compute = compute
        self._found: OrderedDict[Knee, OpenKnee] = OrderedDict()
        self._access, self._computing = Lock(), Lock()

    def get(self, knee: Knee) -> OpenKnee:
        found = self._known(knee)
        if found is not None:
            return found
        with self._computing:
            found = self._known(knee) or self._compute(knee)
            with self._access:
                self._found[knee] = found
                while len(self._found) > KEPT:
                    self._found.popitem(last=False)
            return found

    def _known(self, knee: Knee) -> OpenKnee | None:
        with self._access:
            if knee in self._found:
                self._found.move_to_end(knee)
            return self._found.get(knee)


class Knees:
    """Opens knees and keeps them open for a while.

    Parameters
    ----------
    propose
        Proposes landmarks on knees without a landmark file; None proposes nothing.
    """

    def __init__(self, propose: Propose | None) -> None:
        self._glances = _Kept(open_knee)
        self._wholes = _Kept(lambda knee: with_proposal(self.glance(knee), propose))

    def glance(self, knee: Knee) -> OpenKnee:
        """Open a knee as far as its headers go, without waiting for a proposal."""
        return self._glances.get(knee)

    def whole(self, knee: Knee) -> OpenKnee:
        """Open a knee with its proposal."""
        return self._wholes.get(knee)

    def prepare(self, knee: Knee) -> None:
        """Open a knee in the background, so that it is there when the reader comes to it."""

        def open_early() -> None:
            with suppress(MeniscalMeasureError):  # said when the reader opens it
                self.whole(knee)

        Thread(target=open_early, daemon=True).start()

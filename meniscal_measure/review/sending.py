"""What was signed goes to an archive, in the background and until it has arrived.

The journal says what is to be sent: the newest signing of every reading, unless it is a rejection.
A folder beside the store holds the objects on their way and, for good, what the archive confirmed,
so that nothing is sent twice. Signing never waits for the archive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Condition, Thread

from meniscal_measure import workflow
from meniscal_measure.errors import ArchiveError, ArchiveUnreachableError, MeniscalMeasureError
from meniscal_measure.exchange.delivery import deliver
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import Outcome, Peer
from meniscal_measure.exchange.results import NAMES
from meniscal_measure.exchange.transfer import SENT, tries
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.journal import Journal, Signing, Verdict

ONE_TRY = tries(attempts=1)
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 300.0
"""Waits before an archive that does not answer is tried again; each is twice the one before."""


class Stage(StrEnum):
    """How far a signed reading has got."""

    WAITING = "waiting"
    ARRIVED = "arrived"
    REFUSED = "refused"
    """It is not tried again before the program is started again."""


@dataclass(frozen=True)
class Progress:
    """How far a signed reading has got, and in words why no further."""

    stage: Stage
    words: str


@dataclass(frozen=True)
class Destination:
    """An archive, and how objects are made for it."""

    peer: Peer
    archived: Archived


class Sender:
    """Sends the signed readings of a store to an archive.

    `studies` has the images of each knee by its name; `folder`, made if it does not exist, holds
    the objects on their way.
    """

    def __init__(
        self, destination: Destination, journal: Journal, studies: Mapping[str, Path], folder: Path
    ) -> None:
        self._destination, self._journal = destination, journal
        self._studies, self._folder = studies, folder
        self._progress: dict[str, Progress] = {}
        self._changed = Condition()
        self._is_due, self._is_done = True, True

    def start(self) -> None:
        """Begin sending, with what was signed before and has not arrived."""
        Thread(target=self._run, daemon=True).start()

    def wake(self) -> None:
        """Say that something was signed."""
        with self._changed:
            self._is_due = True
            self._changed.notify_all()

    def progress(self, signing: Signing) -> Progress:
        """Say how far a signing has got."""
        folder = self._folder_of(signing)
        if (folder / SENT).exists() and not any(path.exists() for path in _files(folder)):
            return Progress(Stage.ARRIVED, f"Stored in {self._destination.peer.name}.")
        waiting = Progress(Stage.WAITING, f"On its way to {self._destination.peer.name}.")
        return self._progress.get(signing.digest, waiting)

    def send_due(self) -> bool:
        """Send what has not arrived; say whether nothing is left that should be tried again."""
        standing = self._journal.standing().values()
        return all(self._try(signing) for signing in standing if self._is_to_be_sent(signing))

    def _is_to_be_sent(self, signing: Signing) -> bool:
        is_measured = signing.verdict is Verdict.MEASURED and signing.key.knee in self._studies
        return is_measured and self.progress(signing).stage is Stage.WAITING

    def _try(self, signing: Signing) -> bool:
        """Send a signing; say whether that has come to an end, well or not."""
        name = self._destination.peer.name
        try:
            failed = [one for one in self._sent(signing) if not one.arrived]
            reason = "; ".join(sorted({one.reason for one in failed}))
            if not all(one.answered for one in failed):
                raise ArchiveUnreachableError(reason)
        except ArchiveError as error:
            words = f"Not stored in {name} yet, it is tried again: {error}"
            self._progress[signing.digest] = Progress(Stage.WAITING, words)
            return False
        except MeniscalMeasureError as error:
            reason = str(error)
        except Exception as error:  # the readings after it are sent all the same
            reason = f"a fault in the program ({type(error).__name__})"
        if reason:
            words = f"Not stored in {name}: {reason}"
            self._progress[signing.digest] = Progress(Stage.REFUSED, words)
        return True

    def _sent(self, signing: Signing) -> tuple[Outcome, ...]:
        folder, to = self._folder_of(signing), self._destination
        study = workflow.read(self._studies[signing.key.knee])
        knee = workflow.reopen(reading_from_dict(signing.record["reading"]), study)
        with TemporaryDirectory() as shown:
            saved = knee.save(shown)
            outcomes = deliver(saved, knee.stack, to.peer, to.archived, folder, ONE_TRY)
        if all(one.arrived for one in outcomes):
            for path in _files(folder):
                path.unlink()  # the log stays
        return outcomes

    def _folder_of(self, signing: Signing) -> Path:
        return self._folder / signing.digest[:32]

    def _run(self) -> None:
        wait_s = FIRST_WAIT_S
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._is_due, None if self._is_done else wait_s)
                self._is_due = False
            try:
                self._is_done = self.send_due()
            except MeniscalMeasureError:  # the journal cannot be read now
                self._is_done = False
            wait_s = FIRST_WAIT_S if self._is_done else min(2 * wait_s, LONGEST_WAIT_S)


def _files(folder: Path) -> list[Path]:
    return [folder / f"{name}.dcm" for name in NAMES]

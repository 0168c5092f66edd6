"""Fetching the coronal series of a knee from an archive, and storing the results there.

Both resume: an instance that is in the folder already is not fetched again, and one that the
archive has confirmed is not sent again. What happened to each instance is reported.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
from pydicom.config import IGNORE
from pydicom.dataset import Dataset
from pydicom.uid import UID
from tenacity import Retrying, retry_if_exception_type, stop_after_attempt, wait_exponential

from meniscal_measure.errors import (
    ArchiveError,
    ArchiveUnreachableError,
    InputError,
    NothingMeasurableError,
    OutputError,
    UsageError,
)
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Peer, Query
from meniscal_measure.files import write_text
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Study
from meniscal_measure.series.scan import open_study

PROBES, IMAGES, SENT = "probes", "images", "sent.json"
"""Names in the folder of a transfer: one image of each series, the series, what was sent."""

LONGEST_WAIT_S = 30.0
"""Longest wait before another try; each is twice as long as the one before."""


def tries(attempts: int = 4, first_wait_s: float = 1.0) -> Retrying:
    """Make what carries out a request, and again while the archive does not answer.

    If the last try fails as well, its `ArchiveUnreachableError` is raised.

    Examples
    --------
    >>> tries(attempts=2, first_wait_s=0)(lambda: "answer")
    'answer'
    """
    return Retrying(
        stop=stop_after_attempt(attempts),
        wait=wait_exponential(multiplier=first_wait_s, max=LONGEST_WAIT_S),
        retry=retry_if_exception_type(ArchiveUnreachableError),
        reraise=True,
    )


RETRY = tries()


@dataclass(frozen=True)
class Fetched:
    """The series that was fetched, where it lies, and what did not arrive."""

    series: ArchivedSeries
    folder: Path
    missing: tuple[Outcome, ...]


def fetch_coronal(peer: Peer, query: Query, folder: Path, retry: Retrying = RETRY) -> Fetched:
    """Fetch only the coronal series that would be measured.

    Orientation is in the images, not in what an archive lists. So one image of each MR series
    is fetched first, the series is chosen as for a study on disk, and then fetched whole. The query
    must match one study of one patient.

    Raises
    ------
    NothingMeasurableError
        If no MR series matches, or none is coronal.
    UsageError
        If the query matches several studies or patients.
    ArchiveError
        If the archive refuses, sends what was not asked for, or does not answer as often as it
        was tried.
    """
    found = _of_one_study(retry(lambda: peer.find_series(query)), peer.name)
    probes = _own_folder(folder / PROBES, found[0].study_instance_uid, peer.name)
    for series in found:
        _fetch_middle(peer, series, probes, retry)
    choice = choose_coronal(open_study(probes))
    chosen_uid = choice.stack.identity.series_instance_uid
    chosen = next((one for one in found if one.series_instance_uid == chosen_uid), None)
    if chosen is None:
        raise ArchiveError(
            "{archive} sent an image of another series than it was asked for. Clear up in the"
            " archive whose images they are.",
            archive=peer.name,
        )
    instances = retry(lambda: peer.find_instances(chosen))
    images = _own_folder(folder / IMAGES, chosen.series_instance_uid, peer.name)
    return Fetched(chosen, images, _fetch_all(peer, chosen, instances, images, retry))


def check_fetched(study: Study, series: ArchivedSeries) -> None:
    """Refuse images that are not of the patient and study that was asked for.

    Raises
    ------
    InputError
        If any of them names another one.
    """
    asked = series.patient_id.strip(), series.study_instance_uid
    for stack in study.stacks:
        held = stack.identity.patient_id.strip(), stack.identity.study_instance_uid
        if held != asked:
            raise InputError(
                "The archive lists the study {asked:private}, but its images say {held:private}"
                " (Patient ID and Study Instance UID). Clear up whose knee it is; nothing was"
                " measured.",
                asked=", ".join(asked),
                held=", ".join(held),
            )


def _own_folder(folder: Path, uid: str, archive: str) -> Path:
    """Name the folder of one study or series, so that images of others are never among its own."""
    if not UID(uid, validation_mode=IGNORE).is_valid:
        raise ArchiveError(
            "{archive} lists a UID that is not valid ({uid:private}). Have it corrected in the"
            " archive.",
            archive=archive,
            uid=uid,
        )
    return folder / uid


def _of_one_study(found: Sequence[ArchivedSeries], archive: str) -> Sequence[ArchivedSeries]:
    if not found:
        raise NothingMeasurableError(
            f"{archive} holds no MR series that matches. Check the Patient ID and the date."
        )
    studies = {one.study_instance_uid: one.study_date for one in found}
    patients = {one.patient_id for one in found}
    if len(studies) > 1 or len(patients) > 1:
        listed = "; ".join(f"{day or 'no date'} {uid}" for uid, day in sorted(studies.items()))
        raise UsageError(
            "{archive} holds {studies} studies of {patients} patients that match. Name one by its"
            " Study Instance UID: {listed:private}.",
            archive=archive,
            studies=len(studies),
            patients=len(patients),
            listed=listed,
        )
    return found


def _fetch_middle(peer: Peer, series: ArchivedSeries, folder: Path, retry: Retrying) -> None:
    """Fetch the image in the middle of a series, unless it is in the folder already."""
    instances = retry(lambda: peer.find_instances(series))
    middle = instances[len(instances) // 2 :][:1]
    missing = [uid for uid in middle if not _file(folder, uid).exists()]
    if missing:
        retry(lambda: [*peer.fetch(series, missing, folder)])


def _fetch_all(
    peer: Peer, series: ArchivedSeries, instances: Sequence[str], folder: Path, retry: Retrying
) -> tuple[Outcome, ...]:
    """Fetch what is not in the folder yet; try again for what did not arrive."""

    def missing() -> list[str]:
        return [uid for uid in instances if not _file(folder, uid).exists()]

    def attempt() -> list[Outcome]:
        wanted = missing()
        if not wanted:
            return []
        whole = len(wanted) == len(instances)
        outcomes = [*peer.fetch(series, None if whole else wanted, folder)]
        return [one for one in outcomes if not one.arrived]

    # our own reason comes before what the archive makes of it
    refused = {one.sop_instance_uid: one for one in reversed(retry(attempt))}
    silent = "the archive did not send it"
    return tuple(refused.get(uid, Outcome(uid, silent)) for uid in missing())


def _file(folder: Path, sop_instance_uid: str) -> Path:
    return folder / f"{sop_instance_uid}.dcm"


def send_once(
    peer: Peer, objects: Iterable[Dataset], folder: Path, retry: Retrying = RETRY
) -> tuple[Outcome, ...]:
    """Store objects in an archive that it has not confirmed before, as the log in `folder` says.

    Returned is the outcome for each object, in their order.

    Raises
    ------
    ArchiveError
        If the archive refuses the connection, or cannot be reached as often as it was tried.
        What it leaves unanswered midway is sent again, and reported if that fails too.
    """
    log = _SentLog(folder / SENT, peer.name)
    waiting = {str(one.SOPInstanceUID): one for one in objects}
    outcomes = {uid: Outcome(uid) for uid in waiting if uid in log.confirmed()}

    def attempt() -> None:
        due = [one for uid, one in waiting.items() if uid not in log.confirmed()]
        for outcome in peer.send(due) if due else ():
            outcomes[outcome.sop_instance_uid] = outcome
            if outcome.arrived:
                log.confirm(outcome.sop_instance_uid)
        if not all(outcome.answered for outcome in outcomes.values()):
            raise ArchiveUnreachableError(f"{peer.name} stopped answering.")

    try:
        retry(attempt)
    except ArchiveUnreachableError:
        if len(outcomes) < len(waiting):
            raise
    return tuple(outcomes[uid] for uid in waiting)


class _SentLog:
    """Which objects each archive has confirmed, in a JSON file that is always complete."""

    def __init__(self, path: Path, archive: str) -> None:
        self._path, self._archive = path, archive
        self._all = self._read()

    def _read(self) -> dict[str, list[str]]:
        try:
            return msgspec.json.decode(self._path.read_bytes(), type=dict[str, list[str]])
        except FileNotFoundError:
            return {}
        except (OSError, msgspec.MsgspecError) as error:
            raise OutputError(
                "{file:private} cannot be read, so that it is not known what was sent."
                " Repair it, or move it away to send everything again.",
                file=str(self._path),
            ) from error

    def confirmed(self) -> list[str]:
        return self._all.get(self._archive, [])

    def confirm(self, uid: str) -> None:
        self._all.setdefault(self._archive, []).append(uid)
        write_text(self._path, json.dumps(self._all, indent=1) + "\n")

"""The objects made of a reading, stored in the archive that holds its images."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from pydicom.dataset import Dataset
from pydicom.uid import Comprehensive3DSRStorage
from tenacity import Retrying

from meniscal_measure.errors import InputError
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Peer, Query
from meniscal_measure.exchange.results import Results, result_objects
from meniscal_measure.exchange.transfer import RETRY, send_once
from meniscal_measure.report.save import SavedFiles
from meniscal_measure.series.model import Stack


def deliver(
    saved: SavedFiles,
    stack: Stack,
    peer: Peer,
    archived: Archived,
    folder: Path,
    retry: Retrying = RETRY,
) -> tuple[Outcome, ...]:
    """Make the objects of a saved reading, keep them as files, and store them in an archive.

    The reading was taken on `stack`. Reports of the same series that the archive holds already are
    named as those replaced. Objects and the log of what was sent are written to `folder`; returned
    is the outcome for each object.

    Raises
    ------
    InputError
        If the archive holds the study under another patient.
    ArchiveError
        If the archive refuses, or does not answer as often as it was tried. The files stay.
    UsageError
        If the reading was saved without identifiers, or the UID root is not usable.
    """
    source, reports_uid = saved.contents.source, archived.series_uid("report", saved.contents)
    reports = ArchivedSeries(source.study_instance_uid, reports_uid, source.patient_id)

    def make(earlier: tuple[Dataset, ...]) -> Results:
        return result_objects(saved, stack, replace(archived, replaces=earlier))

    return deliver_made(make, reports, peer, folder, retry)


def deliver_made(
    make: Callable[[tuple[Dataset, ...]], Results],
    reports: ArchivedSeries,
    peer: Peer,
    folder: Path,
    retry: Retrying = RETRY,
) -> tuple[Outcome, ...]:
    """Make objects, keep them as files, and store them in an archive; see `deliver`.

    `reports` is the series of the reports; `make` takes the earlier ones that the archive holds,
    which the new one replaces.
    """
    retry(lambda: _check_patient(peer, reports))
    made = make(retry(lambda: _earlier(peer, reports)))
    made.write(folder)
    return send_once(peer, made.objects, folder, retry)


def _check_patient(peer: Peer, reports: ArchivedSeries) -> None:
    """Refuse to file results with a patient whose images were not measured."""
    held = peer.find_series(Query(study_instance_uid=reports.study_instance_uid))
    others = {one.patient_id for one in held} - {reports.patient_id}
    if others:
        raise InputError(
            "{archive} holds this study under Patient ID {held:private}, the images measured say"
            " {measured:private}. Find out whose knee it is; nothing was sent.",
            archive=peer.name,
            held=", ".join(sorted(others)),
            measured=reports.patient_id or "nothing",
        )


def _earlier(peer: Peer, reports: ArchivedSeries) -> tuple[Dataset, ...]:
    found = []
    for uid in peer.find_instances(reports):
        earlier = Dataset()
        earlier.StudyInstanceUID = reports.study_instance_uid
        earlier.SeriesInstanceUID = reports.series_instance_uid
        earlier.SOPClassUID, earlier.SOPInstanceUID = Comprehensive3DSRStorage, uid
        found.append(earlier)
    return tuple(found)

"""The objects made of a reading, stored in the archive that holds its images."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pydicom.dataset import Dataset
from pydicom.uid import Comprehensive3DSRStorage

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Peer, Query
from meniscal_measure.exchange.results import result_objects
from meniscal_measure.exchange.transfer import RetryPolicy, send_once
from meniscal_measure.report.save import SavedFiles
from meniscal_measure.series.model import Stack


def deliver(
    saved: SavedFiles,
    stack: Stack,
    peer: Peer,
    archived: Archived,
    folder: Path,
    retry: RetryPolicy | None = None,
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
    retry = retry or RetryPolicy()
    reading = saved.contents
    retry(lambda: _check_patient(peer, reading))
    earlier = retry(lambda: _earlier_reports(peer, reading, archived))
    made = result_objects(saved, stack, replace(archived, replaces=earlier))
    made.write(folder)
    return send_once(peer, made.objects, folder, retry)


def _check_patient(peer: Peer, reading: Reading) -> None:
    """Refuse to file results with a patient whose images were not measured."""
    held = peer.find_series(Query(study_instance_uid=reading.source.study_instance_uid))
    others = {one.patient_id for one in held} - {reading.source.patient_id}
    if others:
        raise InputError(
            "{archive} holds this study under Patient ID {held:private}, the images measured say"
            " {measured:private}. Find out whose knee it is; nothing was sent.",
            archive=peer.name,
            held=", ".join(sorted(others)),
            measured=reading.source.patient_id or "nothing",
        )


def _earlier_reports(peer: Peer, reading: Reading, archived: Archived) -> tuple[Dataset, ...]:
    source = reading.source
    series = ArchivedSeries(
        source.study_instance_uid,
        archived.series_uid("report", reading),
        source.patient_id,
        source.study_date,
    )
    return tuple(_reference(series, uid) for uid in peer.find_instances(series))


def _reference(series: ArchivedSeries, sop_instance_uid: str) -> Dataset:
    earlier = Dataset()
    earlier.StudyInstanceUID = series.study_instance_uid
    earlier.SeriesInstanceUID = series.series_instance_uid
    earlier.SOPClassUID, earlier.SOPInstanceUID = Comprehensive3DSRStorage, sop_instance_uid
    return earlier

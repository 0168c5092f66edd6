"""All objects of one case: its measurements, and its sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pydicom.dataset import Dataset
from tenacity import Retrying

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.exchange.capture import Document, encapsulated
from meniscal_measure.exchange.case_report import case_report, case_series_uid
from meniscal_measure.exchange.delivery import deliver_made
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Peer
from meniscal_measure.exchange.results import Results
from meniscal_measure.exchange.source_images import SourceImage, source_images
from meniscal_measure.exchange.transfer import RETRY
from meniscal_measure.files import read_bytes
from meniscal_measure.knee.case_record import KneeCase, case_from_json
from meniscal_measure.knee.named_landmarks import located
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.series.model import Study

CASE_NAMES = ("case-report", "case-document")
"""Names of the files, in the order in which `case_objects` makes the objects."""

SHEET_SERIES, SHEET = 9114, "case-sheet.pdf"

REMEDY = "Give the case.json that `case` wrote, with the case-sheet.pdf beside it."


def is_case(record: Path) -> bool:
    """Whether a record is that of a case; one of a reading holds no case version.

    Examples
    --------
    >>> is_case(sample / "landmarks.json")
    False
    """
    return b'"case_version"' in read_bytes(record, REMEDY)


def saved_case(record: Path, studies: Sequence[Study]) -> SavedCase:
    """Take a case from the folder in which it was saved.

    Raises
    ------
    UnreadableFileError
        If the record or the sheet beside it cannot be read.
    """
    case = case_from_json(read_bytes(record, REMEDY).decode(errors="replace"), record)
    return SavedCase(case, read_bytes(record.with_name(SHEET), REMEDY), studies)


@dataclass(frozen=True, eq=False)
class SavedCase:
    """A case as it was saved, and the studies it was made from, the baseline first."""

    case: KneeCase
    sheet_pdf: bytes
    studies: Sequence[Study]


def case_objects(saved: SavedCase, archived: Archived) -> Results:
    """Make the objects of a case; they are filed with the later examination.

    Raises
    ------
    UsageError
        If the case was saved without identifiers, or the UID root is not usable.
    InputError
        If a study does not belong to the case, or an image is no longer in it.
    """
    images = _case_images(saved)
    case = saved.case
    about = Document(
        "Knee case: a measurement aid, not a diagnosis, NOT VERIFIED",
        "Knee case, sheet",
        SHEET_SERIES,
        " ".join(study.study_instance_uid for study in case.studies),
        Side.from_word(case.side),
    )
    first = sorted(images, key=lambda where: where.visit is not Visit.FOLLOW_UP)
    sheet = encapsulated(about, [images[where] for where in first], saved.sheet_pdf, archived)
    return Results((case_report(case, images, archived), sheet), CASE_NAMES)


def deliver_case(
    saved: SavedCase, peer: Peer, archived: Archived, folder: Path, retry: Retrying = RETRY
) -> tuple[Outcome, ...]:
    """Make the objects of a case and store them in an archive, as `deliver` does for a reading.

    Raises
    ------
    InputError, ArchiveError, UsageError
        As `case_objects` and `deliver`.
    """
    case = saved.case
    patient_id = saved.studies[-1].stacks[0].identity.patient_id
    study_uid = case.studies[-1].study_instance_uid
    reports = ArchivedSeries(study_uid, case_series_uid(archived, case), patient_id)

    def make(earlier: tuple[Dataset, ...]) -> Results:
        return case_objects(saved, replace(archived, replaces=earlier))

    return deliver_made(make, reports, peer, folder, retry)


def _case_images(saved: SavedCase) -> dict[TracedSlice, SourceImage]:
    """Find the image of every slice that a number of the case was read from."""
    case = saved.case
    if not all(study.study_instance_uid for study in case.studies):
        raise UsageError(
            "A case without identifiers cannot be filed with a patient. Make it again without"
            " --without-identifiers, or de-identify the images first."
        )
    if len(saved.studies) != len(case.studies):
        raise InputError(
            f"The case is of {len(case.studies)} studies, {len(saved.studies)} were given. Give the"
            " baseline and, if there is one, the follow-up."
        )
    by_visit = {one.visit: found for one, found in zip(case.studies, saved.studies, strict=True)}
    images = {}
    for where in dict.fromkeys(w for p in case.parts for q in p.quantities for w in q.where):
        if where.plane is None:  # a radiograph is not an image of these studies
            continue
        study = by_visit[where.visit]
        place = located(study.stacks, where)
        if place is None:
            raise InputError(
                "The {where} of the case is not in {study:private}. Give the study that it was made"
                " from.",
                where=str(where),
                study=str(study.path),
            )
        stack, index = place
        images[where] = source_images(stack, [index])[index]
    if not images:
        raise InputError("The case holds no number that was read from an image; nothing to file.")
    return images

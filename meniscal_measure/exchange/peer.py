"""What can be asked of an archive, by DIMSE or DICOMweb alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pydicom.dataset import Dataset


@dataclass(frozen=True)
class Query:
    """What is looked for; empty fields match everything, `*` stands for any characters."""

    patient_id: str = ""
    study_date: str = ""
    """DICOM DA, or a range as `20260101-20260630`."""
    accession_number: str = ""
    study_instance_uid: str = ""

    @property
    def filters(self) -> dict[str, str]:
        """The fields by the keywords of their attributes.

        Examples
        --------
        >>> Query("4711").filters["PatientID"]
        '4711'
        """
        return {
            "PatientID": self.patient_id,
            "StudyDate": self.study_date,
            "AccessionNumber": self.accession_number,
            "StudyInstanceUID": self.study_instance_uid,
        }


@dataclass(frozen=True)
class ArchivedSeries:
    """A series that an archive holds."""

    study_instance_uid: str
    series_instance_uid: str
    patient_id: str
    study_date: str = ""
    description: str = ""

    @property
    def uids(self) -> dict[str, str]:
        """UIDs of study and series by the keywords of their attributes.

        Examples
        --------
        >>> ArchivedSeries("1.2", "1.2.3", "4711", "").uids["SeriesInstanceUID"]
        '1.2.3'
        """
        return {
            "StudyInstanceUID": self.study_instance_uid,
            "SeriesInstanceUID": self.series_instance_uid,
        }

    @classmethod
    def answered(cls, study: Dataset, series: Dataset) -> ArchivedSeries:
        """Take a series from an archive's answers about its study and itself.

        Examples
        --------
        >>> study, series = Dataset(), Dataset()
        >>> study.StudyInstanceUID, series.SeriesInstanceUID = "1.2", "1.2.3"
        >>> ArchivedSeries.answered(study, series).series_instance_uid
        '1.2.3'
        """
        return cls(
            str(study.StudyInstanceUID),
            str(series.SeriesInstanceUID),
            str(study.get("PatientID", "")),
            str(study.get("StudyDate", "")),
            str(series.get("SeriesDescription", "")),
        )


@dataclass(frozen=True)
class Outcome:
    """What happened to one instance in transfer."""

    sop_instance_uid: str
    reason: str = ""
    """Why it did not arrive; empty where it did."""
    answered: bool = True
    """Whether the archive itself said so; without its answer the transfer may be tried again."""

    @property
    def arrived(self) -> bool:
        """Whether the instance arrived.

        Examples
        --------
        >>> Outcome("1.2.3").arrived, Outcome("1.2.3", "the disk is full").arrived
        (True, False)
        """
        return not self.reason


def in_order(instances: Iterable[Dataset]) -> list[str]:
    """List the SOP Instance UIDs of an archive's answers in the order of their Instance Numbers.

    Examples
    --------
    >>> first, second = Dataset(), Dataset()
    >>> first.SOPInstanceUID, first.InstanceNumber = "1.2.5", 1
    >>> second.SOPInstanceUID, second.InstanceNumber = "1.2.3", 2
    >>> in_order([second, first])
    ['1.2.5', '1.2.3']
    """
    ordered = sorted(instances, key=lambda one: int(one.get("InstanceNumber") or 0))
    return [str(one.SOPInstanceUID) for one in ordered]


class Peer(Protocol):
    """An archive: DIMSE services or DICOMweb.

    Every method raises `ArchiveError` when the archive cannot be reached or refuses the request
    as a whole; what happened to each instance is in the outcomes.
    """

    @property
    def name(self) -> str:
        """The address, as the log of sent objects records it."""

    def find_series(self, query: Query) -> list[ArchivedSeries]:
        """List the MR series that match."""

    def find_instances(self, series: ArchivedSeries) -> list[str]:
        """List the SOP Instance UIDs of a series, in the archive's order of Instance Number."""

    def fetch(
        self, series: ArchivedSeries, instances: Sequence[str] | None, folder: Path
    ) -> Iterator[Outcome]:
        """Fetch some instances of a series, all when None, each into a file named by its UID."""

    def send(self, objects: Sequence[Dataset]) -> Iterator[Outcome]:
        """Store objects in the archive."""

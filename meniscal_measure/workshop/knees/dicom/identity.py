"""Invented patients, and identifiers that are the same whenever the seed is."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from pydicom.uid import UID

from meniscal_measure.anatomy import Side

NAMESPACE = uuid.UUID("6f0f6a1e-5d0e-5b6c-9a3d-3c1d7a2b9e44")
"""Root of the name-based UUIDs of all synthetic objects; drawn once, otherwise without meaning."""


def uid_for(*parts: str | int) -> UID:
    """Make a UID from what it names.

    A name-based UUID (RFC 4122, version 5) under the root 2.25, which is open to everybody
    (DICOM PS3.5 B.2); at most 44 characters.

    Examples
    --------
    >>> uid_for("study", 7) == uid_for("study", 7)
    True
    >>> uid_for("study", 7).is_valid
    True
    """
    name = "/".join(str(part) for part in parts)
    return UID(f"2.25.{uuid.uuid5(NAMESPACE, name).int}")


@dataclass(frozen=True)
class StudyIdentity:
    """The invented patient and visit that the series of a study share."""

    patient_id: str
    patient_name: str
    study_instance_uid: str
    frame_of_reference_uid: str
    study_date: str
    """DICOM DA, YYYYMMDD."""
    side: Side


@dataclass(frozen=True)
class SeriesIdentity:
    """One series of a study."""

    study: StudyIdentity
    series_instance_uid: str
    number: int
    description: str

    def instance_uid(self, index: int) -> UID:
        """SOP Instance UID of the slice with this index along the stack normal.

        Examples
        --------
        >>> series = SeriesIdentity(study_identity("knee", 7, Side.LEFT), "1.2.3", 1, "COR")
        >>> series.instance_uid(0) == series.instance_uid(1)
        False
        """
        return uid_for(self.series_instance_uid, "instance", index)


def study_identity(name: str, seed: int, side: Side, *, visit: int = 1) -> StudyIdentity:
    """Invent the patient and visit of a synthetic knee, the same for the same name, seed and visit.

    The name becomes part of the Patient ID; visit 2 is the follow-up a year after visit 1.

    Examples
    --------
    >>> study_identity("knee", 7, Side.LEFT, visit=2).study_date
    '20010101'
    """
    return StudyIdentity(
        patient_id=f"PHANTOM-{name.upper()}",
        patient_name="PHANTOM^KNEE",
        study_instance_uid=uid_for("study", name, seed, visit),
        frame_of_reference_uid=uid_for("frame of reference", name, seed, visit),
        study_date=f"{1999 + visit}0101",
        side=side,
    )

"""Refusing a series whose images do not all belong to one patient and one study."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from meniscal_measure.errors import InputError
from meniscal_measure.series.headers import HeaderFrame, StackKey
from meniscal_measure.series.model import FileRef, Refusal

Owner = tuple[str, ...]
"""Patient ID and its issuer, name, birth date and Study Instance UID of an image."""


def without_mixed_series(frames: Iterable[HeaderFrame]) -> tuple[list[HeaderFrame], list[Refusal]]:
    """Leave out every series that is found under several patients or studies.

    A series belongs to one study, and a study to one patient (DICOM PS3.3 A.1.2). Where images
    say otherwise it is not known which of them are of the knee, and none is used.

    Returns
    -------
    frames, refusals
        The frames of the other series, and each file of these with the reason.
    """
    series: dict[str, list[HeaderFrame]] = defaultdict(list)
    for frame in frames:
        series[frame.key.series_instance_uid].append(frame)
    kept: list[HeaderFrame] = []
    refusals: list[Refusal] = []
    for uid, members in series.items():
        owners = sorted({_owner(one.key) for one in members})
        if uid and len(owners) > 1:
            refusals += _refusals(members, owners)
        else:
            kept += members
    return kept, refusals


def _owner(key: StackKey) -> Owner:
    patient_id, *person = key.patient
    return (patient_id, key.patient_id_issuer, *person, key.study_instance_uid)


def _refusals(members: Sequence[HeaderFrame], owners: Sequence[Owner]) -> list[Refusal]:
    first, second = (", ".join(filter(None, owner)) or "nobody" for owner in owners[:2])
    error = InputError(
        "Images of one Series Instance UID belong to {count} patients or studies, among them"
        " {first:private} and {second:private}; it is not known whose knee would be measured. Have"
        " the headers corrected, or give the images of each in a folder of their own.",
        count=len(owners),
        first=first,
        second=second,
    )
    files: dict[FileRef, None] = dict.fromkeys(member.frame.file for member in members)
    return [Refusal(file, error.reason) for file in files]

"""The images a reading was taken on, as the DICOM datasets that derived objects refer to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pydicom
from pydicom.dataset import Dataset
from pydicom.valuerep import DA, TM

from meniscal_measure.errors import InputError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.sentences import printable
from meniscal_measure.series.model import Frame, Stack
from meniscal_measure.series.sources import Opener

BLANK_WHERE_ABSENT = (
    "PatientID",
    "PatientName",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
"""Type 2 attributes of the Patient and General Study modules (DICOM PS3.3 C.7.1.1, C.7.2.1):
a derived object repeats them, empty where the image lacks them."""

SEXES = ("", "M", "F", "O")
"""Codes of Patient's Sex (DICOM PS3.3 C.7.1.1)."""


@dataclass(frozen=True)
class SourceImage:
    """One slice as other objects refer to it."""

    header: Dataset
    """The image's dataset without its pixels."""
    frame_number: int | None
    """Number of the frame in a multi-frame image, from 1; None in a single-frame one."""
    grid: PixelGrid
    """Its plane in patient space."""

    @property
    def reference(self) -> tuple[str, str, list[int] | None]:
        """Class, instance and frame, as references of structured reports take them.

        Examples
        --------
        >>> source_images(study.stacks[0], [0])[0].reference[2] is None
        True
        """
        frames = None if self.frame_number is None else [self.frame_number]
        return self.header.SOPClassUID, self.header.SOPInstanceUID, frames


def source_images(stack: Stack, indices: Sequence[int]) -> dict[int, SourceImage]:
    """Read the headers of some slices of a stack, by their indices in geometric order, from 0.

    Raises
    ------
    UnreadableFileError
        If a file is no longer there or no longer readable.
    InputError
        If it names a date, a time or a sex that no object may repeat.

    Examples
    --------
    >>> str(source_images(study.stacks[0], [0])[0].header.Modality)
    'MR'
    """
    headers: dict[str, Dataset] = {}
    with Opener() as opener:
        for frame in (stack.frames[index] for index in indices):
            if frame.sop_instance_uid not in headers:
                headers[frame.sop_instance_uid] = _header(opener, frame)
    return {
        index: SourceImage(
            headers[(frame := stack.frames[index]).sop_instance_uid],
            None if frame.frame_index is None else frame.frame_index + 1,
            frame.grid,
        )
        for index in indices
    }


def _header(opener: Opener, frame: Frame) -> Dataset:
    with opener.open(frame.file) as stream:
        header = pydicom.dcmread(stream, stop_before_pixels=True, force=True)
    header.SpecificCharacterSet = "ISO_IR 192"  # of what is made: the set of the image may lack ±
    for keyword in BLANK_WHERE_ABSENT:
        if keyword not in header:
            setattr(header, keyword, "")
    _check_repeatable(header)
    return header


def _check_repeatable(header: Dataset) -> None:
    kinds: dict[str, Callable[[str], object]] = {
        "PatientBirthDate": DA,
        "StudyDate": DA,
        "StudyTime": TM,
        "PatientSex": _sex,
    }
    for keyword, kind in kinds.items():
        value = str(header[keyword].value or "")
        try:
            kind(value)
        except ValueError as error:
            raise InputError(
                "{keyword} of the images is {value:private}, which DICOM does not allow; objects"
                " of their patient and study cannot repeat it. Have the header corrected.",
                keyword=keyword,
                value=printable(value),
            ) from error


def _sex(code: str) -> None:
    if code not in SEXES:
        raise ValueError(code)

"""From the header of one DICOM object to its frames, classic and multi-frame alike."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import NamedTuple

from pydicom.dataset import Dataset
from pydicom.uid import MRImageStorage

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.attribute_places import MULTI_FRAME
from meniscal_measure.series.attributes import Header, frame_headers, is_multi_frame
from meniscal_measure.series.contrast import contrast_of, echo_time
from meniscal_measure.series.field_of_view import FieldOfView, field_of_view
from meniscal_measure.series.image_plane import grid_of
from meniscal_measure.series.model import (
    Contrast,
    FileRef,
    Frame,
    Identity,
    Patient,
    SideHint,
    patient_of,
)
from meniscal_measure.series.pixel_encoding import pixel_encoding, transfer_syntax
from meniscal_measure.series.side import TEXT_TAGS, CodedSide, coded_sides, hinted_sides

MR_STORAGE = MULTI_FRAME | {MRImageStorage}
"""The MR image objects of DICOM PS3.4 B.5 that hold grey-scale slices."""


class StackKey(NamedTuple):
    """What frames of one stack have in common, orientation and pixel spacing apart.

    Image Type keeps the fat and water images of a Dixon series apart, Stack ID the stacks of a
    multi-frame object, Effective Echo Time the echoes.
    """

    patient: Patient
    patient_id_issuer: str
    study_instance_uid: str
    series_instance_uid: str
    frame_of_reference_uid: str
    rows: int
    columns: int
    echo_time_ms: float | None
    stack_id: str
    image_type: tuple[str, ...]


@dataclass(frozen=True)
class SharedFacts:
    """What is read once for all frames with the same `StackKey`."""

    identity: Identity
    contrast: Contrast
    field_of_view: FieldOfView


@dataclass(frozen=True)
class ReadBefore:
    """What was read of earlier frames and is not read again for frames that are alike."""

    facts: dict[StackKey, SharedFacts] = field(default_factory=dict)
    side_hints: dict[Hashable, tuple[SideHint, ...]] = field(default_factory=dict)
    """By the texts as they stand in the file."""


@dataclass(frozen=True)
class HeaderFrame:
    """A frame on its way into a stack."""

    frame: Frame
    key: StackKey
    sides: frozenset[CodedSide]
    side_hints: tuple[SideHint, ...]
    shared: SharedFacts


def frames_of(
    dataset: Dataset, file: FileRef, known: ReadBefore
) -> tuple[list[HeaderFrame], list[GeometryError]]:
    """Read the frames of an MR object.

    Parameters
    ----------
    dataset, file
        The header and where it was read.
    known
        What is known of the frames met so far; added to when one is unlike them.

    Returns
    -------
    frames, reasons
        The usable frames, and why others are not, each reason once.

    Raises
    ------
    GeometryError
        If nothing can be read of any frame.
    """
    syntax = transfer_syntax(dataset)
    multi_frame = is_multi_frame(dataset)
    keywords = ("PatientID", "PatientName", "PatientBirthDate")
    patient = patient_of(*("\\".join(Header(dataset).strings(keyword)) for keyword in keywords))
    frames: list[HeaderFrame] = []
    reasons: dict[str, GeometryError] = {}
    for index, header in enumerate(frame_headers(dataset)):
        try:
            frame = _frame(header, file, index if multi_frame else None, syntax)
            frames.append(_placed(frame, header, patient, known))
        except GeometryError as error:
            reasons.setdefault(str(error), error)
    return frames, list(reasons.values())


def _placed(frame: Frame, header: Header, patient: Patient, known: ReadBefore) -> HeaderFrame:
    key = _stack_key(header, frame.grid, patient)
    if key not in known.facts:
        known.facts[key] = _shared_facts(header)
    texts = header.as_written(TEXT_TAGS)
    if texts not in known.side_hints:
        known.side_hints[texts] = hinted_sides(header)
    hints = known.side_hints[texts]
    return HeaderFrame(frame, key, coded_sides(header), hints, known.facts[key])


def _frame(header: Header, file: FileRef, frame_index: int | None, syntax: str) -> Frame:
    return Frame(
        file=file,
        frame_index=frame_index,
        sop_instance_uid="".join(header.strings("SOPInstanceUID")),
        grid=grid_of(header),
        slice_thickness_mm=header.number_if_legible("SliceThickness"),
        encoding=pixel_encoding(header, syntax),
        instance_number=instance_number(header),
    )


def instance_number(header: Header) -> int | None:
    """Read the number an archive shows for an image; None where it has none."""
    number = header.number_if_legible("InstanceNumber")
    return None if number is None else int(number)


def _stack_key(header: Header, grid: PixelGrid, patient: Patient) -> StackKey:
    echo_time_ms = echo_time(header)
    return StackKey(
        patient=patient,
        patient_id_issuer="".join(header.strings("IssuerOfPatientID")),
        study_instance_uid="".join(header.strings("StudyInstanceUID")),
        series_instance_uid="".join(header.strings("SeriesInstanceUID")),
        frame_of_reference_uid="".join(header.strings("FrameOfReferenceUID")),
        rows=grid.rows,
        columns=grid.columns,
        echo_time_ms=None if echo_time_ms is None else round(echo_time_ms, 2),
        stack_id="".join(header.strings("StackID")),
        image_type=header.strings("FrameType") or header.strings("ImageType"),
    )


def _shared_facts(header: Header) -> SharedFacts:
    number = header.number_if_legible("SeriesNumber")
    identity = Identity(
        patient_id=header.text("PatientID"),
        patient_name=header.text("PatientName"),
        study_date=header.text("StudyDate"),
        study_instance_uid=header.text("StudyInstanceUID"),
        series_instance_uid=header.text("SeriesInstanceUID"),
        series_number=None if number is None else int(number),
        series_description=header.text("SeriesDescription"),
        frame_of_reference_uid=header.text("FrameOfReferenceUID"),
        patient_birth_date=header.text("PatientBirthDate"),
    )
    return SharedFacts(identity, contrast_of(header), field_of_view(header))

"""From the header of one DICOM object to its frames, classic and multi-frame alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from pydicom.dataset import Dataset
from pydicom.uid import (
    EnhancedMRImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedMRImageStorage,
    MRImageStorage,
)

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.attributes import Header, frame_headers, is_multi_frame
from meniscal_measure.series.contrast import contrast_of, echo_time
from meniscal_measure.series.field_of_view import FieldOfView, field_of_view
from meniscal_measure.series.model import (
    Contrast,
    FileRef,
    Frame,
    Identity,
    Patient,
    PixelEncoding,
    SideHint,
    patient_of,
)
from meniscal_measure.series.side import CodedSide, coded_sides, hinted_sides

MR_STORAGE = frozenset(
    {MRImageStorage, EnhancedMRImageStorage, LegacyConvertedEnhancedMRImageStorage}
)
"""The MR image objects of DICOM PS3.4 B.5 that hold grey-scale slices."""

PIXEL_SIZE_RANGE_MM = (0.02, 10.0)
"""Pixel sizes that can be those of an MR image of a knee, localizers and research scanners
included; beyond it the unit is wrong (common practice, no source)."""

MOST_PIXELS = 4096
"""Most rows or columns: several times those of any MR image (common practice, no source)."""

POSITION_LIMIT_MM = 5000.0
"""No part of a patient lies further from the origin of a scanner: its tunnel and table together are
under 5 m long (common practice, no source). Beyond it the arithmetic would lose millimetres."""

RESCALE_SLOPES = (1e-9, 1e9)
"""Least and largest size of a Rescale Slope; with any of them squares of pixels stay finite."""

RESCALE_INTERCEPT_LIMIT = 1e12
"""Largest size of a Rescale Intercept, for the same reason."""

MOST_BITS = 32
"""Largest Bits Stored: pixels of more bits have no grey scale in DICOM (PS3.5 8.1.1)."""


class StackKey(NamedTuple):
    """What frames of one stack have in common, orientation and pixel spacing apart.

    Image Type keeps the fat and water images of a Dixon series apart, Stack ID the stacks of a
    multi-frame object, Effective Echo Time the echoes.
    """

    patient: Patient
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
    side_hints: tuple[SideHint, ...]
    field_of_view: FieldOfView


@dataclass(frozen=True)
class HeaderFrame:
    """A frame on its way into a stack."""

    frame: Frame
    key: StackKey
    sides: frozenset[CodedSide]
    shared: SharedFacts


def frames_of(
    dataset: Dataset, file: FileRef, known: dict[StackKey, SharedFacts]
) -> tuple[list[HeaderFrame], list[GeometryError]]:
    """Read the frames of an MR object.

    Parameters
    ----------
    dataset, file
        The header and where it was read.
    known
        What is known of the stacks met so far; added to when a frame of a new one is met.

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


def expected_pixel_bytes(dataset: Dataset) -> int:
    """Size of the Pixel Data element that the header promises; 0 where it is compressed.

    A shorter file has been cut short, which shows without reading its pixels.
    """
    syntax = transfer_syntax(dataset)
    if syntax not in _ELEMENT_HEADER_BYTES:
        return 0
    header = Header(dataset)
    bits = 1
    for keyword in ("Rows", "Columns", "BitsAllocated"):
        bits *= int(_required(header, keyword, 1)[0])
    for keyword in ("NumberOfFrames", "SamplesPerPixel"):
        bits *= header.count(keyword, 1)
    return _ELEMENT_HEADER_BYTES[syntax] + bits // 8


_ELEMENT_HEADER_BYTES: dict[str, int] = {
    ImplicitVRLittleEndian: 8,
    ExplicitVRLittleEndian: 12,
    ExplicitVRBigEndian: 12,
}
"""Tag, VR and length before the pixels in the uncompressed syntaxes (DICOM PS3.5 section 7.1)."""


def transfer_syntax(dataset: Dataset) -> str:
    """Transfer Syntax UID, or the one a file without file meta information was read with."""
    named = Header(dataset.file_meta).strings("TransferSyntaxUID")
    if named:
        return named[0]
    implicit, little_endian = dataset.original_encoding
    if implicit:
        return ImplicitVRLittleEndian
    return ExplicitVRLittleEndian if little_endian else ExplicitVRBigEndian


def _placed(
    frame: Frame, header: Header, patient: Patient, known: dict[StackKey, SharedFacts]
) -> HeaderFrame:
    key = _stack_key(header, frame.grid, patient)
    if key not in known:
        known[key] = _shared_facts(header)
    return HeaderFrame(frame, key, coded_sides(header), known[key])


def _frame(header: Header, file: FileRef, frame_index: int | None, syntax: str) -> Frame:
    return Frame(
        file=file,
        frame_index=frame_index,
        sop_instance_uid="".join(header.strings("SOPInstanceUID")),
        grid=_grid(header),
        slice_thickness_mm=header.number_if_legible("SliceThickness"),
        encoding=pixel_encoding(header, syntax),
        instance_number=instance_number(header),
    )


def pixel_encoding(header: Header, syntax: str) -> PixelEncoding:
    """Read how the stored values of an image become intensities.

    Raises
    ------
    GeometryError
        If they would leave no grey-scale image.
    """
    return PixelEncoding(
        transfer_syntax_uid=syntax,
        rescale_slope=_rescale(header, "RescaleSlope", 1.0),
        rescale_intercept=_rescale(header, "RescaleIntercept", 0.0),
        mirrored_at=_mirrored_at(header),
    )


def instance_number(header: Header) -> int | None:
    """Read the number an archive shows for an image; None where it has none."""
    number = header.number_if_legible("InstanceNumber")
    return None if number is None else int(number)


def _rescale(header: Header, keyword: str, default: float) -> float:
    value = header.number(keyword)
    if value is None:
        return default
    least, most = RESCALE_SLOPES if keyword == "RescaleSlope" else (0, RESCALE_INTERCEPT_LIMIT)
    if not least <= abs(value) <= most:
        raise GeometryError(
            f"{keyword} is {value:g}, which leaves no image. Ask for the series to be exported"
            " again from the scanner or the archive."
        )
    return value


def _grid(header: Header) -> PixelGrid:
    rows, columns = image_size(header, most=MOST_PIXELS)
    spacing = _required(header, "PixelSpacing", 2)
    _check_pixel_size(spacing)
    orientation = _required(header, "ImageOrientationPatient", 6)
    position = _required(header, "ImagePositionPatient", 3)
    _check_position(position)
    return PixelGrid(
        position_mm=(position[0], position[1], position[2]),
        row_cosines=(orientation[0], orientation[1], orientation[2]),
        column_cosines=(orientation[3], orientation[4], orientation[5]),
        row_spacing_mm=spacing[0],
        column_spacing_mm=spacing[1],
        rows=rows,
        columns=columns,
    )


def image_size(header: Header, *, most: int) -> tuple[int, int]:
    """Read the rows and columns of an image.

    Raises
    ------
    GeometryError
        If one is missing, or not between 1 and `most`.
    """
    rows, columns = (int(_required(header, keyword, 1)[0]) for keyword in ("Rows", "Columns"))
    if not (1 <= rows <= most and 1 <= columns <= most):
        raise GeometryError(
            f"Rows is {rows} and Columns {columns}; an image to be measured has 1 to {most}"
            " of each. Copy the file again from its source."
        )
    return rows, columns


def _required(header: Header, keyword: str, count: int) -> tuple[float, ...]:
    values = header.numbers(keyword)
    if len(values) == count:
        return values
    plural = "" if len(values) == 1 else "s"
    state = f"has {len(values)} value{plural} where {count} are needed" if values else "is missing"
    cause = (
        "encrypted attributes are present and may hold it: ask for the unprotected file"
        if header.holds("EncryptedAttributesSequence")
        else "ask for the series to be exported again from the scanner or the archive"
    )
    raise GeometryError(f"{keyword} {state}; nothing can be measured without it, {cause}.")


def _check_pixel_size(spacing_mm: tuple[float, ...]) -> None:
    """Refuse what is no length of a pixel of a knee; what is no length at all, the grid refuses."""
    least_mm, most_mm = PIXEL_SIZE_RANGE_MM
    if any(value > 0 and not least_mm <= value <= most_mm for value in spacing_mm):
        raise GeometryError(
            f"PixelSpacing is {spacing_mm[0]:g}\\{spacing_mm[1]:g}, outside {least_mm:g} to"
            f" {most_mm:g} mm: it cannot be in millimetres. Ask for the series to be exported again"
            " from the scanner or the archive."
        )


def _check_position(position_mm: tuple[float, ...]) -> None:
    if not all(abs(value) <= POSITION_LIMIT_MM for value in position_mm):
        shown = "\\".join(f"{value:g}" for value in position_mm)
        raise GeometryError(
            f"ImagePositionPatient is {shown}, further than {POSITION_LIMIT_MM:g} mm from the"
            " origin, where no scanner reaches. Ask for the series to be exported again from the"
            " scanner or the archive."
        )


def _mirrored_at(header: Header) -> float | None:
    photometric = header.code("PhotometricInterpretation")
    if photometric == "MONOCHROME2":
        return None
    if photometric != "MONOCHROME1":
        raise GeometryError(
            "PhotometricInterpretation is {photometric:private}; only grey-scale images can be"
            " measured. Give the original images rather than a coloured copy.",
            photometric=photometric or "missing",
        )
    bits = _required(header, "BitsStored", 1)[0]
    if not 1 <= bits <= MOST_BITS:
        raise GeometryError(
            f"BitsStored is {bits:g}, outside 1 to {MOST_BITS}; the image cannot be inverted. Copy"
            " the file again from its source."
        )
    signed = header.number("PixelRepresentation") == 1
    return -1.0 if signed else 2.0**bits - 1


def _stack_key(header: Header, grid: PixelGrid, patient: Patient) -> StackKey:
    echo_time_ms = echo_time(header)
    return StackKey(
        patient=patient,
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
    return SharedFacts(identity, contrast_of(header), hinted_sides(header), field_of_view(header))

"""How the pixels of an object are stored, and how many bytes of them there must be."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from meniscal_measure.errors import GeometryError
from meniscal_measure.series.attributes import Header
from meniscal_measure.series.model import PixelEncoding

RESCALE_SLOPES = (1e-9, 1e9)
"""Least and largest size of a Rescale Slope; with any of them squares of pixels stay finite."""

RESCALE_INTERCEPT_LIMIT = 1e12
"""Largest size of a Rescale Intercept, for the same reason."""

MOST_BITS = 32
"""Largest Bits Stored: pixels of more bits have no grey scale in DICOM (PS3.5 8.1.1)."""

_ELEMENT_HEADER_BYTES: dict[str, int] = {
    ImplicitVRLittleEndian: 8,
    ExplicitVRLittleEndian: 12,
    ExplicitVRBigEndian: 12,
}
"""Tag, VR and length before the pixels in the uncompressed syntaxes (DICOM PS3.5 section 7.1)."""


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
        bits *= int(header.required(keyword, 1)[0])
    for keyword in ("NumberOfFrames", "SamplesPerPixel"):
        bits *= header.count(keyword, 1)
    return _ELEMENT_HEADER_BYTES[syntax] + bits // 8


def transfer_syntax(dataset: Dataset) -> str:
    """Transfer Syntax UID, or the one a file without file meta information was read with."""
    named = Header(dataset.file_meta).strings("TransferSyntaxUID")
    if named:
        return named[0]
    implicit, little_endian = dataset.original_encoding
    if implicit:
        return ImplicitVRLittleEndian
    return ExplicitVRLittleEndian if little_endian else ExplicitVRBigEndian


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
    bits = header.required("BitsStored", 1)[0]
    if not 1 <= bits <= MOST_BITS:
        raise GeometryError(
            f"BitsStored is {bits:g}, outside 1 to {MOST_BITS}; the image cannot be inverted. Copy"
            " the file again from its source."
        )
    signed = header.number("PixelRepresentation") == 1
    return -1.0 if signed else 2.0**bits - 1

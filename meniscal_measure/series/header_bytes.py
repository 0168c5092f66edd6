"""From the first bytes of a DICOM file to its header."""

from __future__ import annotations

import io

import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filereader import read_dataset
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from meniscal_measure.series.attributes import Header

PREAMBLE_LENGTH = 128
"""Bytes before the prefix DICM of a DICOM file, PS3.10 section 7.1."""

_PREFIX = b"DICM"
_META_GROUP = 0x0002
_COMMAND_GROUP = b"\x00\x00"
_FIRST_PIXELS, _LAST_PIXELS = 0x7FE00008, 0x7FE00010
"""Float, Double Float and plain Pixel Data."""

_IS_IMPLICIT: dict[str, bool] = {ImplicitVRLittleEndian: True, ExplicitVRLittleEndian: False}
"""The encodings of uncompressed images."""


def header_from(start: io.BytesIO) -> Dataset:
    """Read a header, and leave the stream where it ends.

    pydicom's `dcmread` is ready for anything, which takes half as long again as the two datasets
    of a file with a preamble, in one of the two usual encodings. Any other is left to it.

    Raises
    ------
    meniscal_measure.series.attributes.HEADER_ERRORS
        If the header is damaged, or goes on after the bytes given.
    """
    dataset = _usual_header(start)
    if dataset is None:
        start.seek(0)
        dataset = pydicom.dcmread(start, stop_before_pixels=True, force=True)
    return dataset


def _usual_header(start: io.BytesIO) -> Dataset | None:
    start.seek(PREAMBLE_LENGTH)
    if start.read(len(_PREFIX)) != _PREFIX:
        return None
    meta = read_dataset(start, False, True, stop_when=lambda tag, *_: tag >> 16 != _META_GROUP)
    is_implicit = _IS_IMPLICIT.get("".join(Header(meta).strings("TransferSyntaxUID")))
    at = start.tell()
    if is_implicit is None or start.getvalue()[at : at + 2] in (b"", _COMMAND_GROUP):
        return None
    dataset = read_dataset(start, is_implicit, True, stop_when=_at_pixels)
    dataset.file_meta = FileMetaDataset(meta)
    return dataset


def _at_pixels(tag: int, *_: object) -> bool:
    return _FIRST_PIXELS <= tag <= _LAST_PIXELS

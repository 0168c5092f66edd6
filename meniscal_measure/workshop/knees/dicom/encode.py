"""Checking, compressing and storing DICOM datasets."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory

import gdcm
from pydicom import dcmread, dcmwrite
from pydicom.config import RAISE
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate, generate_frames
from pydicom.uid import (
    UID,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)
from pydicom.valuerep import STR_VR, VR, validate_value

from meniscal_measure.files import written_whole

IMPLEMENTATION_CLASS_UID = UID("2.25.212483047195340836417204331086150743402")
"""Names the writer of the files; drawn once, otherwise without meaning."""


TEXT_REPRESENTATIONS = frozenset(STR_VR) - {VR.PN}
"""Value representations whose values are text with a length and a repertoire to keep to."""


class TransferSyntax(StrEnum):
    """Encodings a synthetic series can be stored in; all keep every grey value."""

    UNCOMPRESSED = "uncompressed"
    RLE = "rle"
    JPEG_LOSSLESS = "jpeg_lossless"
    JPEG_LS = "jpeg_ls"
    JPEG_2000 = "jpeg_2000"

    @property
    def uid(self) -> UID:
        """The Transfer Syntax UID (DICOM PS3.5 section 10).

        Examples
        --------
        >>> TransferSyntax.RLE.uid.name
        'RLE Lossless'
        """
        return _UIDS[self]


_UIDS = {
    TransferSyntax.UNCOMPRESSED: ExplicitVRLittleEndian,
    TransferSyntax.RLE: RLELossless,
    TransferSyntax.JPEG_LOSSLESS: JPEGLosslessSV1,
    TransferSyntax.JPEG_LS: JPEGLSLossless,
    TransferSyntax.JPEG_2000: JPEG2000Lossless,
}


def store(dataset: Dataset, path: Path, syntax: TransferSyntax) -> None:
    """Write a complete, uncompressed image to a file, whole or not at all; it is encoded in place.

    Raises
    ------
    ValueError
        If a value breaks the rules of its value representation.
    OutputError
        If the file cannot be written.
    """
    _check_values(dataset)
    dataset.file_meta = _file_meta(dataset)
    if syntax is TransferSyntax.JPEG_LOSSLESS:
        _compress_jpeg_lossless(dataset)
    elif syntax is not TransferSyntax.UNCOMPRESSED:
        dataset.compress(syntax.uid, generate_instance_uid=False)
    with written_whole(path) as stream:
        dcmwrite(stream, dataset, enforce_file_format=True)


def _check_values(dataset: Dataset) -> None:
    """Hold every value to its value representation, without touching pydicom's global switch."""

    def check(_: Dataset, element: DataElement) -> None:
        if element.VR in TEXT_REPRESENTATIONS and not element.is_empty:
            for value in element.value if element.VM > 1 else [element.value]:
                validate_value(element.VR, str(value), RAISE)

    dataset.walk(check)


def _file_meta(dataset: Dataset) -> FileMetaDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = IMPLEMENTATION_CLASS_UID
    meta.ImplementationVersionName = "SYNTHETIC_KNEE"
    return meta


def _compress_jpeg_lossless(dataset: Dataset) -> None:
    """Encode by gdcm, from file to file, since pydicom has no encoder for this syntax."""
    reader, writer = gdcm.ImageReader(), gdcm.ImageWriter()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
    with TemporaryDirectory() as folder:
        plain, compressed = Path(folder, "plain"), Path(folder, "compressed")
        dcmwrite(plain, dataset, enforce_file_format=True)
        reader.SetFileName(str(plain))
        reader.Read()
        change.SetInput(reader.GetImage())
        change.Change()
        writer.SetFileName(str(compressed))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        writer.Write()
        stored = dcmread(compressed)
    count = int(dataset.get("NumberOfFrames", 1))
    dataset.PixelData = encapsulate([*generate_frames(stored.PixelData, number_of_frames=count)])
    dataset["PixelData"].VR = "OB"
    dataset["PixelData"].is_undefined_length = True
    dataset.file_meta.TransferSyntaxUID = JPEGLosslessSV1

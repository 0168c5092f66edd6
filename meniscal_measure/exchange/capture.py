"""The figure as a Secondary Capture and the report as an Encapsulated PDF."""

from __future__ import annotations

import datetime
import io
from collections.abc import Sequence
from dataclasses import dataclass

import highdicom as hd
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import EncapsulatedPDFStorage, ExplicitVRLittleEndian

from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.exchange import identity
from meniscal_measure.exchange.source_images import BLANK_WHERE_ABSENT, SourceImage
from meniscal_measure.geometry import orientation_letters

FIGURE_SERIES, REPORT_SERIES = 9103, 9104
SHARED_IF_THERE = ("IssuerOfPatientID", "StudyDescription", "SpecificCharacterSet")
"""Attributes of patient and study that a derived object repeats where the image has them: without
its issuer the same Patient ID may be another hospital's patient."""


def figure_capture(
    reading: Reading, image: SourceImage, png: bytes, archived: identity.Archived
) -> Dataset:
    """Make a Secondary Capture of the figure of a reading; `image` is the measured slice."""
    from PIL import Image

    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    header = image.header
    capture = hd.sc.SCImage(
        pixel_array=pixels,
        photometric_interpretation="RGB",
        bits_allocated=8,
        coordinate_system="PATIENT",
        study_instance_uid=header.StudyInstanceUID,
        series_instance_uid=archived.series_uid("figure", reading),
        series_number=FIGURE_SERIES,
        sop_instance_uid=archived.uid("figure", png),
        instance_number=1 + len(archived.replaces),
        manufacturer=identity.MANUFACTURER,
        laterality=None if reading.source.side is None else reading.source.side.value,
        patient_orientation=(
            orientation_letters(image.grid.row_direction)[0],
            orientation_letters(image.grid.column_direction)[0],
        ),
        series_description="Meniscal extrusion, figure",
    )
    _share_context(capture, header)
    capture.SourceImageSequence = [_reference(image)]
    capture.DerivationDescription = "Measured and drawn from the images referred to"
    capture.ImageComments = "Verified by a reader" if reading.verified else "NOT VERIFIED"
    return capture


@dataclass(frozen=True)
class Document:
    """What an encapsulated document says of itself."""

    title: str
    """In words, with the warning if nobody verified it."""
    series_description: str
    series_number: int
    """Far from those a scanner numbers."""
    series_of: str
    """UIDs of what is reported: all its versions lie in one series."""
    side: Side | None
    """Body side, where it is known."""


def report_document(
    reading: Reading, image: SourceImage, pdf: bytes, archived: identity.Archived
) -> Dataset:
    """Encapsulate the PDF of a reading's report, see `encapsulated`."""
    unverified = "" if reading.verified else ", NOT VERIFIED"
    about = Document(
        f"Meniscal extrusion: a measurement aid, not a diagnosis{unverified}",
        "Meniscal extrusion, report",
        REPORT_SERIES,
        reading.source.series_instance_uid,
        reading.source.side,
    )
    return encapsulated(about, [image], pdf, archived)


def encapsulated(
    about: Document, images: Sequence[SourceImage], pdf: bytes, archived: identity.Archived
) -> Dataset:
    """Encapsulate a PDF (DICOM PS3.3 A.45.1).

    Parameters
    ----------
    about
        What it says of itself.
    images
        The images it was made from; it is filed with the study of the first.
    pdf
        The document.
    archived
        How it is made for the archive.
    """
    now = datetime.datetime.now()
    document = Dataset()
    _share_context(document, images[0].header)
    document.SOPClassUID = EncapsulatedPDFStorage
    document.SOPInstanceUID = archived.uid("document", pdf)
    document.StudyInstanceUID = images[0].header.StudyInstanceUID
    document.SeriesInstanceUID = archived.uid("document series", about.series_of.encode())
    document.SeriesNumber = about.series_number
    document.SeriesDescription = about.series_description
    document.InstanceNumber = 1 + len(archived.replaces)
    document.Modality = "DOC"
    document.ConversionType = "WSD"
    document.Manufacturer = document.ManufacturerModelName = identity.MANUFACTURER
    document.SoftwareVersions = identity.SOFTWARE_VERSION
    document.ContentDate, document.ContentTime = now.strftime("%Y%m%d"), now.strftime("%H%M%S")
    document.AcquisitionDateTime = ""
    document.BurnedInAnnotation = "YES"
    document.DocumentTitle = about.title
    document.ConceptNameCodeSequence = []
    document.MIMETypeOfEncapsulatedDocument = "application/pdf"
    document.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    document.EncapsulatedDocumentLength = len(pdf)
    document.SourceInstanceSequence = [_reference(image) for image in images]
    if about.side is not None:
        document.Laterality = about.side.value
    document.file_meta = FileMetaDataset()
    document.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return document


def _share_context(derived: Dataset, header: Dataset) -> None:
    """Copy patient and study of the images, so that the archive files it with them."""
    for keyword in (*BLANK_WHERE_ABSENT, *SHARED_IF_THERE):
        if keyword in header:
            derived[keyword] = header[keyword]


def _reference(image: SourceImage) -> Dataset:
    reference = Dataset()
    reference.ReferencedSOPClassUID = image.header.SOPClassUID
    reference.ReferencedSOPInstanceUID = image.header.SOPInstanceUID
    if image.frame_number is not None:
        reference.ReferencedFrameNumber = image.frame_number
    return reference

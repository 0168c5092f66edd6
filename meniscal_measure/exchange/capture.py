"""The figure as a Secondary Capture and the report as an Encapsulated PDF."""

from __future__ import annotations

import datetime
import io

import highdicom as hd
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import EncapsulatedPDFStorage, ExplicitVRLittleEndian

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.exchange import identity
from meniscal_measure.exchange.source_images import BLANK_WHERE_ABSENT, SourceImage
from meniscal_measure.geometry import orientation_letters

FIGURE_SERIES, REPORT_SERIES = 9103, 9104


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


def report_document(
    reading: Reading, image: SourceImage, pdf: bytes, archived: identity.Archived
) -> Dataset:
    """Encapsulate the PDF of the report (DICOM PS3.3 A.45.1); `image` is the measured slice."""
    now = datetime.datetime.now()
    document = Dataset()
    _share_context(document, image.header)
    document.SOPClassUID = EncapsulatedPDFStorage
    document.SOPInstanceUID = archived.uid("document", pdf)
    document.StudyInstanceUID = image.header.StudyInstanceUID
    document.SeriesInstanceUID = archived.series_uid("document", reading)
    document.SeriesNumber = REPORT_SERIES
    document.SeriesDescription = "Meniscal extrusion, report"
    document.InstanceNumber = 1 + len(archived.replaces)
    document.Modality = "DOC"
    document.ConversionType = "WSD"
    document.Manufacturer = identity.MANUFACTURER
    document.ManufacturerModelName = identity.MANUFACTURER
    document.SoftwareVersions = identity.SOFTWARE_VERSION
    document.ContentDate, document.ContentTime = now.strftime("%Y%m%d"), now.strftime("%H%M%S")
    document.AcquisitionDateTime = ""
    document.BurnedInAnnotation = "YES"
    unverified = "" if reading.verified else ", NOT VERIFIED"
    document.DocumentTitle = f"Meniscal extrusion: a measurement aid, not a diagnosis{unverified}"
    document.ConceptNameCodeSequence = []
    document.MIMETypeOfEncapsulatedDocument = "application/pdf"
    document.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    document.EncapsulatedDocumentLength = len(pdf)
    document.SourceInstanceSequence = [_reference(image)]
    if reading.source.side is not None:
        document.Laterality = reading.source.side.value
    document.file_meta = FileMetaDataset()
    document.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return document


def _share_context(derived: Dataset, header: Dataset) -> None:
    """Copy patient and study of the images, so that the archive files it with them."""
    for keyword in (*BLANK_WHERE_ABSENT, "StudyDescription", "SpecificCharacterSet"):
        if keyword in header:
            derived[keyword] = header[keyword]
    if header.get("SpecificCharacterSet") is None:
        derived.SpecificCharacterSet = "ISO_IR 192"


def _reference(image: SourceImage) -> Dataset:
    reference = Dataset()
    reference.ReferencedSOPClassUID = image.header.SOPClassUID
    reference.ReferencedSOPInstanceUID = image.header.SOPInstanceUID
    if image.frame_number is not None:
        reference.ReferencedFrameNumber = image.frame_number
    return reference

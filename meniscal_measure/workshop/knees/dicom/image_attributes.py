"""Attributes that classic and Enhanced MR objects have in common."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.valuerep import format_number_as_ds

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity
from meniscal_measure.workshop.knees.scanner.image import ScannedStack

STUDY_TIME = "120000"
SYNTHETIC_NOTE = "Synthetic image computed from a geometric model; no person was imaged."


def decimal_strings(*values: float) -> list[str]:
    """Write numbers as DICOM decimal strings, as precisely as 16 characters allow.

    Examples
    --------
    >>> decimal_strings(0.55, 3)
    ['0.55', '3.0']
    """
    return [format_number_as_ds(float(value) + 0.0) for value in values]


def patient_and_study(identity: SeriesIdentity) -> Dataset:
    """Patient, General Study, Frame of Reference and the shared part of General Series."""
    study = identity.study
    dataset = Dataset()
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.PatientName = study.patient_name
    dataset.PatientID = study.patient_id
    dataset.PatientBirthDate = ""
    dataset.PatientSex = ""
    dataset.StudyInstanceUID = study.study_instance_uid
    dataset.StudyDate = dataset.SeriesDate = dataset.ContentDate = study.study_date
    dataset.StudyTime = dataset.SeriesTime = dataset.ContentTime = STUDY_TIME
    dataset.ReferringPhysicianName = ""
    dataset.StudyID = "1"
    dataset.AccessionNumber = ""
    dataset.StudyDescription = "SYNTHETIC KNEE"
    dataset.Modality = "MR"
    dataset.SeriesInstanceUID = identity.series_instance_uid
    dataset.SeriesNumber = identity.number
    dataset.SeriesDescription = identity.description
    dataset.ProtocolName = identity.description
    dataset.BodyPartExamined = "KNEE"
    dataset.PatientPosition = "FFS"
    dataset.FrameOfReferenceUID = study.frame_of_reference_uid
    dataset.PositionReferenceIndicator = ""
    dataset.Manufacturer = "SYNTHETIC"
    dataset.ManufacturerModelName = "SYNTHETIC KNEE"
    dataset.SyntheticData = "YES"
    dataset.ImageComments = SYNTHETIC_NOTE
    return dataset


def image_pixels(dataset: Dataset, pixels: NDArray[np.uint16]) -> None:
    """Fill the Image Pixel module with 12-bit grey values, one frame or several.

    Examples
    --------
    >>> dataset = Dataset()
    >>> image_pixels(dataset, np.zeros((2, 3), dtype=np.uint16))
    >>> dataset.Rows, dataset.Columns
    (2, 3)
    """
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = pixels.shape[-2:]
    dataset.BitsAllocated = 16
    dataset.BitsStored = 12
    dataset.HighBit = 11
    dataset.PixelRepresentation = 0
    dataset.LossyImageCompression = "00"
    dataset.PixelData = pixels.astype("<u2").tobytes()


def orientation(grid: PixelGrid) -> list[str]:
    """Image Orientation (Patient) of a plane.

    Examples
    --------
    >>> orientation(PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250))
    ['1.0', '0.0', '0.0', '0.0', '0.0', '-1.0']
    """
    return decimal_strings(*grid.row_direction, *grid.column_direction)


def display_window(stack: ScannedStack) -> tuple[str, str]:
    """Window Centre and Width from black to the brightest half per cent of the whole stack."""
    brightest = float(np.quantile(stack.pixels, 0.995))
    centre, width = decimal_strings(round(brightest / 2), max(2, round(brightest)))
    return centre, width


def frame_type(stack: ScannedStack) -> list[str]:
    """Image Type of an Enhanced object."""
    return ["ORIGINAL", "PRIMARY", stack.protocol.contrast, "NONE"]


def acquisition_ms(stack: ScannedStack) -> float:
    """Time to acquire the lines of one slice, ms; interleaved slices share it."""
    protocol = stack.protocol
    return protocol.repetition_time_ms * stack.acquired[0] / protocol.echo_train_length

"""A projected leg as a CR or a DX object (DICOM PS3.3 A.2 and A.26)."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from pydicom.dataset import Dataset
from pydicom.uid import ComputedRadiographyImageStorage, DigitalXRayImageStorageForPresentation

from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity
from meniscal_measure.workshop.knees.dicom.image_attributes import (
    decimal_strings,
    image_pixels,
    patient_and_study,
)
from tests.knee.projected_leg import ProjectedLeg


class StatedSize(StrEnum):
    """What a radiograph says of the size of its pixels."""

    DETECTOR = "detector"
    """Imager Pixel Spacing only."""
    FACTOR = "factor"
    """And Estimated Radiographic Magnification Factor."""
    GEOMETRY = "geometry"
    """And Pixel Spacing, calibrated by the geometry of the unit."""
    FIDUCIAL = "fiducial"
    """And Pixel Spacing, calibrated by an object of known size."""


def cr_dataset(leg: ProjectedLeg, identity: SeriesIdentity, size: StatedSize) -> Dataset:
    """Write a leg as a Computed Radiography Image; it has no place for a magnification factor."""
    dataset = _shared(leg, identity, size)
    dataset.Modality = "CR"
    dataset.SOPClassUID = ComputedRadiographyImageStorage
    dataset.ViewPosition = "AP"
    dataset.Laterality = identity.study.side.value
    dataset.KVP = ""
    dataset.PlateID = ""
    image_pixels(dataset, leg.pixels)
    return dataset


def dx_dataset(leg: ProjectedLeg, identity: SeriesIdentity, size: StatedSize) -> Dataset:
    """Write a leg as a Digital X-Ray Image for presentation."""
    dataset = _shared(leg, identity, size)
    dataset.Modality = "DX"
    dataset.SOPClassUID = DigitalXRayImageStorageForPresentation
    dataset.PresentationIntentType = "FOR PRESENTATION"
    dataset.ImageLaterality = identity.study.side.value
    dataset.AnatomicRegionSequence = [_code("61685007", "SCT", "Lower limb")]
    dataset.AcquisitionContextSequence = []
    dataset.DetectorType = "DIRECT"
    dataset.DetectorConfiguration = "AREA"
    dataset.PixelIntensityRelationship = "LIN"
    dataset.PixelIntensityRelationshipSign = -1
    dataset.RescaleIntercept, dataset.RescaleSlope, dataset.RescaleType = "0", "1", "US"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.BurnedInAnnotation = "NO"
    dataset.WindowCenter, dataset.WindowWidth = "2000", "4000"
    dataset.ViewPosition = "AP"
    dataset.ViewCodeSequence = [_code("399348003", "SCT", "antero-posterior")]
    dataset.ViewCodeSequence[0].ViewModifierCodeSequence = []
    dataset.PositionerType = "NONE"
    if size is StatedSize.FACTOR:
        (dataset.EstimatedRadiographicMagnificationFactor,) = decimal_strings(
            leg.setup.magnification
        )
    image_pixels(dataset, leg.pixels)
    return dataset


def _shared(leg: ProjectedLeg, identity: SeriesIdentity, size: StatedSize) -> Dataset:
    dataset = patient_and_study(identity)
    for keyword in ("FrameOfReferenceUID", "PositionReferenceIndicator", "PatientPosition"):
        delattr(dataset, keyword)
    dataset.BodyPartExamined = "LEG" if leg.setup.long else "KNEE"
    dataset.SOPInstanceUID = identity.instance_uid(0)
    dataset.InstanceNumber = 1
    dataset.AcquisitionNumber = 1
    dataset.ImageType = ["ORIGINAL", "PRIMARY"]
    dataset.PatientOrientation = ["L", "F"]
    dataset.ImagerPixelSpacing = decimal_strings(*2 * (leg.setup.pixel_mm,))
    if size in (StatedSize.GEOMETRY, StatedSize.FIDUCIAL):
        dataset.PixelSpacing = decimal_strings(
            *2 * (np.round(leg.setup.pixel_mm / leg.setup.magnification, 6),)
        )
        dataset.PixelSpacingCalibrationType = size.value.upper()
        dataset.PixelSpacingCalibrationDescription = "Synthetic"
    return dataset


def _code(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item

"""Where the DICOM standard puts each attribute that is read."""

from __future__ import annotations

from typing import cast

from pydicom.datadict import tag_for_keyword
from pydicom.tag import Tag
from pydicom.uid import EnhancedMRImageStorage, LegacyConvertedEnhancedMRImageStorage

MULTI_FRAME = frozenset({EnhancedMRImageStorage, LegacyConvertedEnhancedMRImageStorage})
"""Objects whose frames are described by functional groups (DICOM PS3.3 A.36 and A.71)."""

FRAME_MACROS = {
    "PixelSpacing": "PixelMeasuresSequence",  # C.7.6.16.2.1
    "SliceThickness": "PixelMeasuresSequence",
    "StackID": "FrameContentSequence",  # C.7.6.16.2.2
    "ImagePositionPatient": "PlanePositionSequence",  # C.7.6.16.2.3
    "ImageOrientationPatient": "PlaneOrientationSequence",  # C.7.6.16.2.4
    "FrameLaterality": "FrameAnatomySequence",  # C.7.6.16.2.8
    "AnatomicRegionSequence": "FrameAnatomySequence",
    "RescaleSlope": "PixelValueTransformationSequence",  # C.7.6.16.2.9
    "RescaleIntercept": "PixelValueTransformationSequence",
    "FrameType": "MRImageFrameTypeSequence",  # C.8.13.5.1
    "AcquisitionContrast": "MRImageFrameTypeSequence",
    "RepetitionTime": "MRTimingAndRelatedParametersSequence",  # C.8.13.5.2
    "PercentPhaseFieldOfView": "MRFOVGeometrySequence",  # C.8.13.5.3
    "InPlanePhaseEncodingDirection": "MRFOVGeometrySequence",
    "EffectiveEchoTime": "MREchoSequence",  # C.8.13.5.4
    "InversionTimes": "MRModifierSequence",  # C.8.13.5.5
    "SpectrallySelectedSuppression": "MRModifierSequence",
}
"""Functional group macro that holds an attribute in a multi-frame object, and its section of PS3.3.
A single-frame object holds them itself."""

OBJECT_ATTRIBUTES = (
    *("SOPClassUID", "SOPInstanceUID", "MediaStorageSOPClassUID", "TransferSyntaxUID"),
    *("PatientID", "IssuerOfPatientID", "PatientName", "PatientBirthDate"),
    *("StudyInstanceUID", "StudyDate", "StudyDescription", "RequestedProcedureDescription"),
    *("SeriesInstanceUID", "SeriesNumber", "SeriesDescription", "FrameOfReferenceUID"),
    *("PerformedProcedureStepDescription", "ProtocolName", "BodyPartExamined"),
    *("StudyComments", "ImageComments", "ReasonForTheRequestedProcedure"),
    *("RequestAttributesSequence", "ScheduledProcedureStepDescription"),
    *("ProcedureCodeSequence", "RequestedProcedureCodeSequence", "PerformedProtocolCodeSequence"),
    *("AnatomicRegionModifierSequence", "CodeMeaning"),
    *("Laterality", "ImageLaterality", "InstanceNumber", "ImageType", "NumberOfFrames"),
    *("Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation", "ReconstructionDiameter"),
    *("BitsAllocated", "BitsStored", "PixelRepresentation"),
    *("ScanningSequence", "ScanOptions", "EchoTime", "InversionTime"),
    *("SequenceName", "PulseSequenceName", "EchoPulseSequence"),
    *("PerFrameFunctionalGroupsSequence", "SharedFunctionalGroupsSequence"),
    *("ImagerPixelSpacing", "PixelSpacingCalibrationType", "PixelAspectRatio"),
    *("EstimatedRadiographicMagnificationFactor", "PatientOrientation"),
    *("EncryptedAttributesSequence", "SpecificCharacterSet", "FrameAnatomySequence"),
)
"""Attributes of the object as a whole that are read."""

OF_OBJECT_TOO = frozenset({"AcquisitionContrast"})
"""Attributes that the object itself holds as well, for frames whose macro lacks it (C.8.13.1)."""

UNASSIGNED_MACROS = (
    "UnassignedPerFrameConvertedAttributesSequence",
    "UnassignedSharedConvertedAttributesSequence",
)
"""Where Legacy Converted objects keep what has no macro (C.7.6.16.2.25.2 and C.7.6.16.2.25.1)."""

OFTEN_UNASSIGNED = frozenset(
    {"EchoTime", "InversionTime", "PulseSequenceName", "RepetitionTime", "ScanOptions",
     "ScanningSequence", "SequenceName"}
)  # fmt: skip
"""Attributes read there: those of the contrast, never geometry or side."""

TAGS = {
    keyword: Tag(cast(int, tag_for_keyword(keyword)))
    for keyword in (*FRAME_MACROS, *OBJECT_ATTRIBUTES)
}
"""Tag of every attribute that is read; the rest of a header is skipped."""

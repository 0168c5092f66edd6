"""Enhanced MR Image objects, a whole stack in one (DICOM PS3.3 A.36.2)."""

from __future__ import annotations

from typing import Any

from pydicom.dataset import Dataset
from pydicom.tag import Tag
from pydicom.uid import EnhancedMRImageStorage

from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, uid_for
from meniscal_measure.workshop.knees.dicom.image_attributes import (
    STUDY_TIME,
    acquisition_ms,
    decimal_strings,
    display_window,
    frame_type,
    image_pixels,
    orientation,
    patient_and_study,
)
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import EchoType, Protocol
from meniscal_measure.workshop.knees.scanner.signal import PROTON_HZ_PER_T

KNEE = {
    "CodeValue": "72696002",
    "CodingSchemeDesignator": "SCT",
    "CodeMeaning": "Knee region structure",
}
"""Anatomic Region; code and scheme as in CID 4 of PS3.16."""


def enhanced_dataset(stack: ScannedStack, identity: SeriesIdentity) -> Dataset:
    """Write a stack, its slices in geometric order, as one Enhanced MR Image.

    It is still uncompressed and without file meta information.
    """
    dataset = patient_and_study(identity)
    dataset.SOPClassUID = EnhancedMRImageStorage
    dataset.SOPInstanceUID = identity.instance_uid(0)
    dataset.InstanceNumber = 1
    dataset.NumberOfFrames = len(stack.grids)
    dataset.DeviceSerialNumber = dataset.SoftwareVersions = "1"
    _describe_image(dataset, stack)
    _describe_sequence(dataset, stack)
    _index_frames(dataset, identity)
    dataset.SharedFunctionalGroupsSequence = _one(**_shared_groups(stack, identity))
    dataset.PerFrameFunctionalGroupsSequence = [
        _frame_groups(stack, identity, index) for index in range(len(stack.grids))
    ]
    image_pixels(dataset, stack.pixels)
    return dataset


def _item(**attributes: Any) -> Dataset:
    item = Dataset()
    for keyword, value in attributes.items():
        setattr(item, keyword, value)
    return item


def _one(**attributes: Any) -> list[Dataset]:
    """Make a sequence of one item."""
    return [_item(**attributes)]


def _describe_image(dataset: Dataset, stack: ScannedStack) -> None:
    dataset.ImageType = frame_type(stack)
    dataset.update(_item(**_pixel_meaning(stack)))
    dataset.ContentQualification = "RESEARCH"
    dataset.BurnedInAnnotation = "NO"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.AcquisitionContextSequence = []
    dataset.AcquisitionNumber = 1
    dataset.AcquisitionDateTime = dataset.StudyDate + STUDY_TIME
    dataset.AcquisitionDuration = acquisition_ms(stack) / 1000
    dataset.ResonantNucleus = "1H"
    dataset.KSpaceFiltering = "NONE"
    dataset.ApplicableSafetyStandardAgency = "IEC"
    dataset.MagneticFieldStrength = stack.field_strength_t


def _describe_sequence(dataset: Dataset, stack: ScannedStack) -> None:
    """MR Pulse Sequence module (PS3.3 C.8.13.4)."""
    protocol = stack.protocol
    spin_echo = protocol.echo_type is EchoType.SPIN_ECHO
    dataset.PulseSequenceName = protocol.description
    dataset.MRAcquisitionType = "3D" if protocol.is_3d else "2D"
    dataset.EchoPulseSequence = "SPIN" if spin_echo else "GRADIENT"
    if spin_echo:
        dataset.MultipleSpinEcho = "NO"
    dataset.MultiPlanarExcitation = "NO" if protocol.is_3d else "YES"
    dataset.PhaseContrast = "NO"
    dataset.TimeOfFlightContrast = "NO"
    dataset.SteadyStatePulseSequence = "NONE" if spin_echo else "LONGITUDINAL"
    dataset.EchoPlanarPulseSequence = "NO"
    dataset.SaturationRecovery = "NO"
    dataset.SpectrallySelectedSuppression = "FAT" if protocol.fat_suppressed else "NONE"
    dataset.OversamplingPhase = "NONE"
    dataset.GeometryOfKSpaceTraversal = "RECTILINEAR"
    dataset.RectilinearPhaseEncodeReordering = "LINEAR"
    dataset.SegmentedKSpaceTraversal = "PARTIAL" if protocol.echo_train_length > 1 else "SINGLE"
    dataset.NumberOfKSpaceTrajectories = 1
    if protocol.is_3d:
        dataset.CoverageOfKSpace = "FULL"


def _index_frames(dataset: Dataset, identity: SeriesIdentity) -> None:
    """Multi-frame Dimension module: frames run along the stack (PS3.3 C.7.6.17)."""
    organization_uid = uid_for(identity.series_instance_uid, "dimension")
    dataset.DimensionOrganizationSequence = _one(DimensionOrganizationUID=organization_uid)
    dataset.DimensionIndexSequence = _one(
        DimensionOrganizationUID=organization_uid,
        DimensionIndexPointer=Tag("InStackPositionNumber"),
        FunctionalGroupPointer=Tag("FrameContentSequence"),
        DimensionDescriptionLabel="Position in stack",
    )


def _shared_groups(stack: ScannedStack, identity: SeriesIdentity) -> dict[str, list[Dataset]]:
    return {
        **_geometry_groups(stack, identity),
        **_contrast_groups(stack),
        **_equipment_groups(),
        "PixelValueTransformationSequence": _one(
            RescaleIntercept="0", RescaleSlope="1", RescaleType="US"
        ),
        "FrameVOILUTSequence": _one(
            **dict(zip(("WindowCenter", "WindowWidth"), display_window(stack), strict=True))
        ),
    }


def _geometry_groups(stack: ScannedStack, identity: SeriesIdentity) -> dict[str, list[Dataset]]:
    grid, plan = stack.grids[0], stack.plan
    thickness, spacing = decimal_strings(plan.thickness_mm, plan.spacing_mm)
    phase_lines, frequency_samples = stack.acquired
    out_of_plane = (
        {"MRAcquisitionPhaseEncodingStepsOutOfPlane": len(stack.grids)}
        if stack.protocol.is_3d
        else {}
    )
    return {
        "PixelMeasuresSequence": _one(
            PixelSpacing=decimal_strings(grid.row_spacing_mm, grid.column_spacing_mm),
            SliceThickness=thickness,
            SpacingBetweenSlices=spacing,
        ),
        "PlaneOrientationSequence": _one(ImageOrientationPatient=orientation(grid)),
        "FrameAnatomySequence": _one(
            FrameLaterality=identity.study.side.value, AnatomicRegionSequence=_one(**KNEE)
        ),
        "MRFOVGeometrySequence": _one(
            InPlanePhaseEncodingDirection="COLUMN",
            MRAcquisitionFrequencyEncodingSteps=frequency_samples,
            MRAcquisitionPhaseEncodingStepsInPlane=phase_lines,
            **out_of_plane,
            PercentSampling=100.0,
            PercentPhaseFieldOfView=100.0,
        ),
    }


def _contrast_groups(stack: ScannedStack) -> dict[str, list[Dataset]]:
    protocol = stack.protocol
    gradient_echo = protocol.echo_type is EchoType.GRADIENT_ECHO
    return {
        "MRImageFrameTypeSequence": _one(**_pixel_meaning(stack), FrameType=frame_type(stack)),
        "MRTimingAndRelatedParametersSequence": _one(**_timing(protocol)),
        "MREchoSequence": _one(EffectiveEchoTime=protocol.echo_time_ms),
        "MRModifierSequence": _one(
            InversionRecovery="NO",
            FlowCompensation="NONE",
            Spoiling="RF" if gradient_echo else "NONE",
            T2Preparation="NO",
            SpectrallySelectedExcitation="NONE",
            SpatialPresaturation="NONE",
            PartialFourier="NO",
            ParallelAcquisition="NO",
        ),
        "MRImagingModifierSequence": _one(
            MagnetizationTransfer="NONE",
            BloodSignalNulling="NO",
            Tagging="NONE",
            TransmitterFrequency=stack.field_strength_t * PROTON_HZ_PER_T / 1e6,
            PixelBandwidth=protocol.bandwidth_hz_per_px,
        ),
        "MRAveragesSequence": _one(NumberOfAverages=1.0),
    }


def _equipment_groups() -> dict[str, list[Dataset]]:
    return {
        "MRReceiveCoilSequence": _one(
            ReceiveCoilName="KNEE",
            ReceiveCoilManufacturerName="",
            ReceiveCoilType="VOLUME",
            QuadratureReceiveCoil="YES",
        ),
        "MRTransmitCoilSequence": _one(
            TransmitCoilName="BODY", TransmitCoilManufacturerName="", TransmitCoilType="BODY"
        ),
    }


def _frame_groups(stack: ScannedStack, identity: SeriesIdentity, index: int) -> Dataset:
    moment = identity.study.study_date + STUDY_TIME
    return _item(
        FrameContentSequence=_one(
            FrameAcquisitionDateTime=moment,
            FrameReferenceDateTime=moment,
            FrameAcquisitionDuration=acquisition_ms(stack),
            StackID="1",
            InStackPositionNumber=index + 1,
            DimensionIndexValues=index + 1,
        ),
        PlanePositionSequence=_one(
            ImagePositionPatient=decimal_strings(*stack.grids[index].position_mm)
        ),
    )


def _pixel_meaning(stack: ScannedStack) -> dict[str, str]:
    return {
        "PixelPresentation": "MONOCHROME",
        "VolumetricProperties": "VOLUME",
        "VolumeBasedCalculationTechnique": "NONE",
        "ComplexImageComponent": "MAGNITUDE",
        "AcquisitionContrast": stack.protocol.contrast,
    }


def _timing(protocol: Protocol) -> dict[str, Any]:
    spin_echo = protocol.echo_type is EchoType.SPIN_ECHO
    repetition_time, flip_angle = decimal_strings(
        protocol.repetition_time_ms, protocol.flip_angle_deg
    )
    return {
        "RepetitionTime": repetition_time,
        "FlipAngle": flip_angle,
        "EchoTrainLength": protocol.echo_train_length,
        "RFEchoTrainLength": protocol.echo_train_length if spin_echo else 0,
        "GradientEchoTrainLength": 0 if spin_echo else 1,
        # required in an original image; zero, as nobody was imaged
        "SpecificAbsorptionRateSequence": _one(
            SpecificAbsorptionRateDefinition="IEC_LOCAL", SpecificAbsorptionRateValue=0.0
        ),
        "GradientOutputType": "DB_DT",
        "GradientOutput": 0.0,
        "OperatingModeSequence": [
            _item(OperatingModeType=kind, OperatingMode="IEC_NORMAL")
            for kind in ("STATIC FIELD", "RF", "GRADIENT")
        ],
    }

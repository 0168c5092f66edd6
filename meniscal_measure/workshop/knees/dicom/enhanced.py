"""Enhanced MR Image objects, a whole stack in one (DICOM PS3.3 A.36.2)."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
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
from meniscal_measure.workshop.knees.scanner.protocols import EchoType

KNEE = ("72696002", "SCT", "Knee region structure")
"""Anatomic Region; code and scheme as in CID 4 of PS3.16."""

PROTON_MHZ_PER_T = 42.577
"""Gyromagnetic ratio of the proton over 2 pi (CODATA 42.577478 MHz/T)."""


def enhanced_dataset(stack: ScannedStack, identity: SeriesIdentity) -> Dataset:
    """Write a stack as one Enhanced MR Image.

    Parameters
    ----------
    stack
        The slices, in geometric order.
    identity
        Patient, study and series they belong to.

    Returns
    -------
    Dataset
        Still uncompressed and without file meta information.
    """
    dataset = patient_and_study(identity)
    dataset.SOPClassUID = EnhancedMRImageStorage
    dataset.SOPInstanceUID = identity.instance_uid(0)
    dataset.InstanceNumber = 1
    dataset.NumberOfFrames = len(stack.grids)
    _describe_equipment(dataset)
    _describe_image(dataset, stack)
    _describe_sequence(dataset, stack)
    _index_frames(dataset, identity)
    dataset.SharedFunctionalGroupsSequence = Sequence([_shared_groups(stack, identity)])
    dataset.PerFrameFunctionalGroupsSequence = Sequence(
        [_frame_groups(stack, identity, index) for index in range(len(stack.grids))]
    )
    image_pixels(dataset, stack.pixels)
    return dataset


def _describe_equipment(dataset: Dataset) -> None:
    dataset.DeviceSerialNumber = "1"
    dataset.SoftwareVersions = "1"


def _describe_image(dataset: Dataset, stack: ScannedStack) -> None:
    dataset.ImageType = frame_type(stack)
    dataset.update(_pixel_meaning(stack))
    dataset.ContentQualification = "RESEARCH"
    dataset.BurnedInAnnotation = "NO"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.AcquisitionContextSequence = Sequence()
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
    organization, index = Dataset(), Dataset()
    organization.DimensionOrganizationUID = organization_uid
    index.DimensionOrganizationUID = organization_uid
    index.DimensionIndexPointer = Tag("InStackPositionNumber")
    index.FunctionalGroupPointer = Tag("FrameContentSequence")
    index.DimensionDescriptionLabel = "Position in stack"
    dataset.DimensionOrganizationSequence = Sequence([organization])
    dataset.DimensionIndexSequence = Sequence([index])


def _shared_groups(stack: ScannedStack, identity: SeriesIdentity) -> Dataset:
    groups = Dataset()
    groups.PixelMeasuresSequence = _one(_pixel_measures(stack))
    groups.PlaneOrientationSequence = _one(_plane_orientation(stack))
    groups.FrameAnatomySequence = _one(_frame_anatomy(identity))
    groups.MRImageFrameTypeSequence = _one(_frame_type(stack))
    groups.MRTimingAndRelatedParametersSequence = _one(_timing(stack))
    groups.MRFOVGeometrySequence = _one(_field_of_view(stack))
    groups.MREchoSequence = _one(_echo(stack))
    groups.MRModifierSequence = _one(_modifier(stack))
    groups.MRImagingModifierSequence = _one(_imaging_modifier(stack))
    groups.MRReceiveCoilSequence = _one(_receive_coil())
    groups.MRTransmitCoilSequence = _one(_transmit_coil())
    groups.MRAveragesSequence = _one(_averages())
    groups.PixelValueTransformationSequence = _one(_identity_rescale())
    groups.FrameVOILUTSequence = _one(_window(stack))
    return groups


def _frame_groups(stack: ScannedStack, identity: SeriesIdentity, index: int) -> Dataset:
    content, position, groups = Dataset(), Dataset(), Dataset()
    moment = identity.study.study_date + STUDY_TIME
    content.FrameAcquisitionDateTime = content.FrameReferenceDateTime = moment
    content.FrameAcquisitionDuration = acquisition_ms(stack)
    content.StackID = "1"
    content.InStackPositionNumber = index + 1
    content.DimensionIndexValues = index + 1
    position.ImagePositionPatient = decimal_strings(*stack.grids[index].position_mm)
    groups.FrameContentSequence = _one(content)
    groups.PlanePositionSequence = _one(position)
    return groups


def _one(item: Dataset) -> Sequence:
    return Sequence([item])


def _pixel_measures(stack: ScannedStack) -> Dataset:
    item, grid = Dataset(), stack.grids[0]
    item.PixelSpacing = decimal_strings(grid.row_spacing_mm, grid.column_spacing_mm)
    (item.SliceThickness,) = decimal_strings(stack.plan.thickness_mm)
    (item.SpacingBetweenSlices,) = decimal_strings(stack.plan.spacing_mm)
    return item


def _plane_orientation(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.ImageOrientationPatient = orientation(stack.grids[0])
    return item


def _frame_anatomy(identity: SeriesIdentity) -> Dataset:
    item, region = Dataset(), Dataset()
    region.CodeValue, region.CodingSchemeDesignator, region.CodeMeaning = KNEE
    item.FrameLaterality = identity.study.side.value
    item.AnatomicRegionSequence = _one(region)
    return item


def _frame_type(stack: ScannedStack) -> Dataset:
    item = _pixel_meaning(stack)
    item.FrameType = frame_type(stack)
    return item


def _pixel_meaning(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.PixelPresentation = "MONOCHROME"
    item.VolumetricProperties = "VOLUME"
    item.VolumeBasedCalculationTechnique = "NONE"
    item.ComplexImageComponent = "MAGNITUDE"
    item.AcquisitionContrast = stack.protocol.contrast
    return item


def _timing(stack: ScannedStack) -> Dataset:
    item, protocol = Dataset(), stack.protocol
    spin_echo = protocol.echo_type is EchoType.SPIN_ECHO
    (item.RepetitionTime,) = decimal_strings(protocol.repetition_time_ms)
    (item.FlipAngle,) = decimal_strings(protocol.flip_angle_deg)
    item.EchoTrainLength = protocol.echo_train_length
    item.RFEchoTrainLength = protocol.echo_train_length if spin_echo else 0
    item.GradientEchoTrainLength = 0 if spin_echo else 1
    item.SpecificAbsorptionRateSequence = _one(_no_absorption())
    item.GradientOutputType = "DB_DT"
    item.GradientOutput = 0.0
    item.OperatingModeSequence = Sequence(
        [_operating_mode(kind) for kind in ("STATIC FIELD", "RF", "GRADIENT")]
    )
    return item


def _no_absorption() -> Dataset:
    """Specific absorption rate of nobody: the standard asks for it in an original image."""
    item = Dataset()
    item.SpecificAbsorptionRateDefinition = "IEC_LOCAL"
    item.SpecificAbsorptionRateValue = 0.0
    return item


def _operating_mode(kind: str) -> Dataset:
    item = Dataset()
    item.OperatingModeType = kind
    item.OperatingMode = "IEC_NORMAL"
    return item


def _field_of_view(stack: ScannedStack) -> Dataset:
    item = Dataset()
    phase_lines, frequency_samples = stack.acquired
    item.InPlanePhaseEncodingDirection = "COLUMN"
    item.MRAcquisitionFrequencyEncodingSteps = frequency_samples
    item.MRAcquisitionPhaseEncodingStepsInPlane = phase_lines
    if stack.protocol.is_3d:
        item.MRAcquisitionPhaseEncodingStepsOutOfPlane = len(stack.grids)
    item.PercentSampling = 100.0
    item.PercentPhaseFieldOfView = 100.0
    return item


def _echo(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.EffectiveEchoTime = stack.protocol.echo_time_ms
    return item


def _modifier(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.InversionRecovery = "NO"
    item.FlowCompensation = "NONE"
    item.Spoiling = "RF" if stack.protocol.echo_type is EchoType.GRADIENT_ECHO else "NONE"
    item.T2Preparation = "NO"
    item.SpectrallySelectedExcitation = "NONE"
    item.SpatialPresaturation = "NONE"
    item.PartialFourier = "NO"
    item.ParallelAcquisition = "NO"
    return item


def _imaging_modifier(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.MagnetizationTransfer = "NONE"
    item.BloodSignalNulling = "NO"
    item.Tagging = "NONE"
    item.TransmitterFrequency = stack.field_strength_t * PROTON_MHZ_PER_T
    item.PixelBandwidth = stack.protocol.bandwidth_hz_per_px
    return item


def _receive_coil() -> Dataset:
    item = Dataset()
    item.ReceiveCoilName = "KNEE"
    item.ReceiveCoilManufacturerName = ""
    item.ReceiveCoilType = "VOLUME"
    item.QuadratureReceiveCoil = "YES"
    return item


def _transmit_coil() -> Dataset:
    item = Dataset()
    item.TransmitCoilName = "BODY"
    item.TransmitCoilManufacturerName = ""
    item.TransmitCoilType = "BODY"
    return item


def _averages() -> Dataset:
    item = Dataset()
    item.NumberOfAverages = 1.0
    return item


def _identity_rescale() -> Dataset:
    item = Dataset()
    item.RescaleIntercept, item.RescaleSlope = decimal_strings(0, 1)
    item.RescaleType = "US"
    return item


def _window(stack: ScannedStack) -> Dataset:
    item = Dataset()
    item.WindowCenter, item.WindowWidth = display_window(stack)
    return item

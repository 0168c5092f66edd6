"""Classic MR Image objects, one slice each (DICOM PS3.3 A.4)."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.uid import MRImageStorage

from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity
from meniscal_measure.workshop.knees.dicom.image_attributes import (
    decimal_strings,
    display_window,
    image_pixels,
    orientation,
    patient_and_study,
)
from meniscal_measure.workshop.knees.scanner.image import ScannedStack


def classic_datasets(stack: ScannedStack, identity: SeriesIdentity) -> list[Dataset]:
    """Write each slice of a stack as an MR Image, in the same order.

    They are still uncompressed and without file meta information.
    """
    return [_slice_dataset(stack, identity, index) for index in range(len(stack.grids))]


def _slice_dataset(stack: ScannedStack, identity: SeriesIdentity, index: int) -> Dataset:
    dataset = patient_and_study(identity)
    dataset.SOPClassUID = MRImageStorage
    dataset.SOPInstanceUID = identity.instance_uid(index)
    dataset.InstanceNumber = index + 1
    dataset.AcquisitionNumber = 1
    dataset.Laterality = identity.study.side.value
    dataset.AcquisitionDate, dataset.AcquisitionTime = dataset.StudyDate, dataset.StudyTime
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "OTHER"]
    _place(dataset, stack, index)
    _describe_acquisition(dataset, stack)
    dataset.WindowCenter, dataset.WindowWidth = display_window(stack)
    image_pixels(dataset, stack.pixels[index])
    return dataset


def _place(dataset: Dataset, stack: ScannedStack, index: int) -> None:
    grid, plan = stack.grids[index], stack.plan
    dataset.ImagePositionPatient = decimal_strings(*grid.position_mm)
    dataset.ImageOrientationPatient = orientation(grid)
    dataset.PixelSpacing = decimal_strings(grid.row_spacing_mm, grid.column_spacing_mm)
    (dataset.SliceThickness,) = decimal_strings(plan.thickness_mm)
    (dataset.SpacingBetweenSlices,) = decimal_strings(plan.spacing_mm)
    (dataset.SliceLocation,) = decimal_strings(float(grid.origin @ grid.normal))


def _describe_acquisition(dataset: Dataset, stack: ScannedStack) -> None:
    protocol = stack.protocol
    dataset.ScanningSequence = protocol.echo_type.value
    dataset.SequenceVariant = "SK" if protocol.echo_train_length > 1 else "SP"
    dataset.ScanOptions = "FS" if protocol.fat_suppressed else ""
    dataset.MRAcquisitionType = "3D" if protocol.is_3d else "2D"
    (dataset.RepetitionTime,) = decimal_strings(protocol.repetition_time_ms)
    (dataset.EchoTime,) = decimal_strings(protocol.echo_time_ms)
    (dataset.FlipAngle,) = decimal_strings(protocol.flip_angle_deg)
    (dataset.PixelBandwidth,) = decimal_strings(protocol.bandwidth_hz_per_px)
    (dataset.MagneticFieldStrength,) = decimal_strings(stack.field_strength_t)
    dataset.EchoTrainLength = protocol.echo_train_length
    dataset.EchoNumbers = 1
    dataset.NumberOfAverages = "1"
    dataset.ImagedNucleus = "1H"
    dataset.InPlanePhaseEncodingDirection = "COL"
    phase_lines, frequency_samples = stack.acquired
    dataset.AcquisitionMatrix = [0, frequency_samples, phase_lines, 0]

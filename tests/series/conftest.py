"""Builders of small MR objects; nothing here is a real person's image."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import (
    UID,
    EnhancedMRImageStorage,
    ExplicitVRLittleEndian,
    MRImageStorage,
    generate_uid,
)

from meniscal_measure.series.model import Stack
from meniscal_measure.series.scan import open_study

Build = Callable[..., FileDataset]
BuildMany = Callable[..., list[FileDataset]]
Save = Callable[[Path, Sequence[FileDataset]], list[Path]]

CORONAL = (1.0, 0.0, 0.0, 0.0, 0.0, -1.0)
ROWS, COLUMNS = 12, 10


def only_stack(path: Path) -> Stack:
    (stack,) = open_study(path).stacks
    return stack


def _file_dataset(sop_class: UID) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = sop_class
    meta.MediaStorageSOPInstanceUID = generate_uid()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID = sop_class
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.Modality = "MR"
    dataset.PatientName = "Phantom^Knee"
    dataset.PatientID = "PHANTOM"
    dataset.StudyInstanceUID = "2.25.1"
    dataset.SeriesInstanceUID = "2.25.2"
    dataset.FrameOfReferenceUID = "2.25.3"
    dataset.SeriesNumber = 1
    dataset.SeriesDescription = "COR"
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = ROWS, COLUMNS
    dataset.BitsAllocated = dataset.BitsStored = 16
    dataset.HighBit = 15
    dataset.PixelRepresentation = 0
    return dataset


def _set(dataset: Dataset, attributes: dict[str, Any]) -> None:
    for keyword, value in attributes.items():
        if value is None:
            delattr(dataset, keyword)
        else:
            setattr(dataset, keyword, value)


@pytest.fixture
def mr_slice() -> Build:
    """Build a coronal fat-suppressed PD slice; attributes set to None are left out."""

    def build(**attributes: Any) -> FileDataset:
        dataset = _file_dataset(MRImageStorage)
        dataset.ImageType = ["ORIGINAL", "PRIMARY", "M", "SE"]
        dataset.ScanningSequence = "SE"
        dataset.SequenceVariant = "SK"
        dataset.ScanOptions = "FS"
        dataset.RepetitionTime = 3000
        dataset.EchoTime = 35
        dataset.SliceThickness = 3
        dataset.InstanceNumber = 1
        dataset.ImagePositionPatient = [0, 0, 0]
        dataset.ImageOrientationPatient = list(CORONAL)
        dataset.PixelSpacing = [0.5, 0.4]
        dataset.PixelData = np.arange(ROWS * COLUMNS, dtype="<u2").tobytes()
        _set(dataset, attributes)
        return dataset

    return build


@pytest.fixture
def mr_stack(mr_slice: Build) -> BuildMany:
    """Build the slices of a coronal stack at the given antero-posterior positions."""

    def build(positions_mm: Sequence[float], **attributes: Any) -> list[FileDataset]:
        return [
            mr_slice(
                **{
                    "ImagePositionPatient": [0, position_mm, 0],
                    "InstanceNumber": number,
                    **attributes,
                }
            )
            for number, position_mm in enumerate(positions_mm, start=1)
        ]

    return build


@pytest.fixture
def save() -> Save:
    """Write objects into a folder under plain numbered names."""

    def write(folder: Path, datasets: Sequence[FileDataset]) -> list[Path]:
        folder.mkdir(parents=True, exist_ok=True)
        paths = [folder / f"{number:04d}.dcm" for number in range(len(datasets))]
        for path, dataset in zip(paths, datasets, strict=True):
            dataset.save_as(path, enforce_file_format=True)
        return paths

    return write


def _item(**attributes: Any) -> Dataset:
    dataset = Dataset()
    _set(dataset, attributes)
    return dataset


def _one(**attributes: Any) -> DicomSequence:
    return DicomSequence([_item(**attributes)])


@pytest.fixture
def multiframe() -> Build:
    """Build an Enhanced MR object with one frame for each (position, echo time, stack)."""

    def build(
        frames: Sequence[tuple[float, float, str]],
        *,
        sop_class: UID = EnhancedMRImageStorage,
        side: str = "R",
        **attributes: Any,
    ) -> FileDataset:
        dataset = _file_dataset(sop_class)
        dataset.NumberOfFrames = len(frames)
        dataset.AcquisitionContrast = "PROTON_DENSITY"
        dataset.SharedFunctionalGroupsSequence = _one(
            PixelMeasuresSequence=_one(PixelSpacing=[0.5, 0.4], SliceThickness=3),
            PlaneOrientationSequence=_one(ImageOrientationPatient=list(CORONAL)),
            FrameAnatomySequence=_one(FrameLaterality=side),
            MRModifierSequence=_one(SpectrallySelectedSuppression="FAT"),
            MRTimingAndRelatedParametersSequence=_one(RepetitionTime=3000),
        )
        dataset.PerFrameFunctionalGroupsSequence = DicomSequence(
            _item(
                PlanePositionSequence=_one(ImagePositionPatient=[0, position_mm, 0]),
                MREchoSequence=_one(EffectiveEchoTime=echo_time_ms),
                FrameContentSequence=_one(StackID=stack_id),
                PixelValueTransformationSequence=_one(
                    RescaleSlope=2, RescaleIntercept=number, RescaleType="US"
                ),
            )
            for number, (position_mm, echo_time_ms, stack_id) in enumerate(frames)
        )
        pixels = np.arange(len(frames) * ROWS * COLUMNS, dtype="<u2")
        dataset.PixelData = pixels.tobytes()
        _set(dataset, attributes)
        return dataset

    return build


@pytest.fixture
def real_knee() -> Path:
    """Locate the real study kept beside the repository, or skip."""
    path = Path(__file__).parents[3] / "shared" / "real" / "knee-a"
    if not path.is_dir():
        pytest.skip("the real knee study is not beside this repository")
    return path

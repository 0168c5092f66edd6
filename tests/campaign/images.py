"""Small series to be mutated, and what each of their mutants must come to."""

from __future__ import annotations

import io
import json
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import (
    UID,
    EnhancedMRImageStorage,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    LegacyConvertedEnhancedMRImageStorage,
    MRImageStorage,
)

from meniscal_measure.series.model import Frame, Study
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.workflow import measure
from tests.campaign.mutation import mutated_bytes, mutated_dataset

SIZE, SLICES, MEASURED = 64, 3, 1
SPACING_MM = [1.25, 1.25]
CORONAL = [1.0, 0.0, 0.0, 0.0, 0.0, -1.0]
LATERAL_RIM, MEDIAL_RIM, OUTER_EDGE, FREE_EDGE = 4.0, 58.0, 62.0, 54.0
"""Columns of the landmarks, all on one row: extrusion is a whole number of columns."""

PIXELS_READ = 0.25
"""Part of the mutants of headers whose pixels are read as well."""

TOLERANCE_MM = 1e-3

WITHOUT_A_MUTATION = {"ASSUMED_PLACEMENT_SD", "NO_NEIGHBOUR"}
"""Findings of every reading here: they say nothing about a mutant."""


class WrongNumberError(Exception):
    """A mutant was measured without a finding, and not to the millimetres its header gives."""


def _base(sop_class: UID, number: int) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = sop_class
    meta.MediaStorageSOPInstanceUID = UID(f"2.25.10{number}")
    meta.TransferSyntaxUID = UID(ExplicitVRLittleEndian)
    dataset = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    dataset.SOPClassUID, dataset.SOPInstanceUID = sop_class, meta.MediaStorageSOPInstanceUID
    dataset.Modality, dataset.SeriesNumber, dataset.SeriesDescription = "MR", 1, "COR PD FS"
    dataset.PatientName, dataset.PatientID = "Phantom^Knee", "PHANTOM"
    dataset.PatientBirthDate, dataset.StudyDate = "19700101", "20200101"
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = "2.25.1", "2.25.2"
    dataset.FrameOfReferenceUID = "2.25.3"
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.Rows = dataset.Columns = SIZE
    dataset.BitsAllocated = dataset.BitsStored = 16
    dataset.HighBit, dataset.PixelRepresentation = 15, 0
    dataset.Laterality = "R"
    return dataset


def classic() -> list[FileDataset]:
    """Single-frame objects of one series."""
    slices = []
    for number in range(SLICES):
        dataset = _base(MRImageStorage, number)
        dataset.ImageType = ["ORIGINAL", "PRIMARY"]
        dataset.ScanningSequence, dataset.ScanOptions = "SE", "FS"
        dataset.RepetitionTime, dataset.EchoTime, dataset.SliceThickness = 3000, 35, 3
        dataset.InstanceNumber = number + 1
        dataset.ImagePositionPatient = [-40, 3 * number, 40]
        dataset.ImageOrientationPatient, dataset.PixelSpacing = CORONAL, SPACING_MM
        dataset.PixelData = np.arange(SIZE * SIZE, dtype="<u2").tobytes()
        slices.append(dataset)
    return slices


def _one(**attributes: object) -> DicomSequence:
    item = Dataset()
    for keyword, value in attributes.items():
        setattr(item, keyword, value)
    return DicomSequence([item])


def multi_frame(sop_class: UID) -> FileDataset:
    """One object that holds the whole series."""
    dataset = _base(sop_class, 0)
    dataset.NumberOfFrames = SLICES
    dataset.SharedFunctionalGroupsSequence = _one(
        PixelMeasuresSequence=_one(PixelSpacing=SPACING_MM, SliceThickness=3),
        PlaneOrientationSequence=_one(ImageOrientationPatient=CORONAL),
        FrameAnatomySequence=_one(FrameLaterality="R"),
        MRTimingAndRelatedParametersSequence=_one(RepetitionTime=3000),
    )
    dataset.PerFrameFunctionalGroupsSequence = DicomSequence(
        _one(
            PlanePositionSequence=_one(ImagePositionPatient=[-40, 3 * number, 40]),
            MREchoSequence=_one(EffectiveEchoTime=35),
            FrameContentSequence=_one(StackID="1", InStackPositionNumber=number + 1),
        )[0]
        for number in range(SLICES)
    )
    dataset.PixelData = np.arange(SLICES * SIZE * SIZE, dtype="<u2").tobytes()
    return dataset


def landmarks(uid: str, index: int) -> str:
    """A landmark file that names the measured slice by UID and index."""
    row = 30.0
    return json.dumps(
        {
            "slice": {"index": index, "sop_instance_uid": uid},
            "medial_rim": [MEDIAL_RIM, row],
            "medial_outer_edge": [OUTER_EDGE, row],
            "medial_free_edge": [FREE_EDGE, row],
            "lateral_rim": [LATERAL_RIM, row],
        }
    )


def written(dataset: FileDataset) -> bytes:
    stream = io.BytesIO()
    dataset.save_as(stream, enforce_file_format=False, implicit_vr=False, little_endian=True)
    return stream.getvalue()


def mutant(whole: bytes, dice: random.Random, *, within: int | None = None) -> bytes:
    """A mutated object; by its bytes up to its pixels where it cannot even be written."""
    within = within or len(whole) - SIZE * SIZE * 2
    if dice.random() < 0.35:
        return mutated_bytes(whole, dice, within=within)
    try:
        content = written(mutated_dataset(whole, dice))
    except Exception:  # pydicom refuses to write it; what it would write is no mutant
        return mutated_bytes(whole, dice, within=within)
    return mutated_bytes(content, dice, within=2000) if dice.random() < 0.1 else content


class ClassicSeries:
    """Mutants of one file of a series; the others stay as they are."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.datasets = classic()
        self.contents = [written(dataset) for dataset in self.datasets]
        uid = str(self.datasets[MEASURED].SOPInstanceUID)
        (folder / "landmarks.json").write_text(landmarks(uid, MEASURED))
        self.study = folder / "study"
        self.study.mkdir()
        for number, content in enumerate(self.contents):
            (self.study / f"{number}.dcm").write_bytes(content)

    def run(self, dice: random.Random) -> None:
        """Measure one mutant, and put the file back."""
        number = dice.randrange(SLICES)
        path = self.study / f"{number}.dcm"
        path.write_bytes(mutant(self.contents[number], dice))
        try:
            measured_as_the_header_says(self.study, self.folder / "landmarks.json", dice)
        finally:
            path.write_bytes(self.contents[number])


class MultiFrameSeries:
    """Mutants of a multi-frame object."""

    def __init__(self, folder: Path, sop_class: UID) -> None:
        self.folder = folder
        self.dataset = multi_frame(sop_class)
        self.content = written(self.dataset)
        (folder / "study").mkdir()
        uid = str(self.dataset.SOPInstanceUID)
        # All frames have one UID: the index tells them apart.
        (folder / "landmarks.json").write_text(landmarks(uid, MEASURED))

    def run(self, dice: random.Random) -> None:
        """Measure one mutant."""
        (self.folder / "study" / "0.dcm").write_bytes(mutant(self.content, dice))
        measured_as_the_header_says(self.folder / "study", self.folder / "landmarks.json", dice)


def multi_frame_objects() -> list[FileDataset]:
    """One object of each multi-frame class."""
    return list(map(multi_frame, (EnhancedMRImageStorage, LegacyConvertedEnhancedMRImageStorage)))


def enhanced(folder: Path) -> MultiFrameSeries:
    """Mutants of an Enhanced MR object."""
    return MultiFrameSeries(folder, EnhancedMRImageStorage)


def legacy(folder: Path) -> MultiFrameSeries:
    """Mutants of a Legacy Converted Enhanced MR object."""
    return MultiFrameSeries(folder, LegacyConvertedEnhancedMRImageStorage)


def measured_as_the_header_says(folder: Path, landmark_file: Path, dice: random.Random) -> None:
    """Measure, and now and then read the pixels.

    Without a finding the number must follow from the one place for Pixel Spacing. It is read here
    by plain pydicom, from where DICOM PS3.3 C.7.6.3 and C.7.6.16.2.1 put it, and not by the
    program's own reading.
    """
    study = open_study(folder)
    if dice.random() < PIXELS_READ:
        _read_some_pixels(study)
    reading = measure(study, landmarks=landmark_file).reading
    medial = reading.medial
    if {found.code.name for found in reading.warnings} - WITHOUT_A_MUTATION:
        return
    if medial is None:
        raise WrongNumberError("no medial value, and no finding says why")
    frame = _frame_of(study, reading.source.series_instance_uid, reading.measured.slice_index)
    expected_mm = (OUTER_EDGE - MEDIAL_RIM) * _column_spacing_mm(frame)
    if abs(medial.extrusion.extrusion_mm - expected_mm) > TOLERANCE_MM:
        raise WrongNumberError(f"{medial.extrusion.extrusion_mm} mm for {expected_mm} mm")


def _read_some_pixels(study: Study) -> None:
    for stack in study.stacks[:2]:
        pixels = read_pixels(stack)
        if not np.isfinite(pixels).all():
            raise WrongNumberError("pixels that are no numbers")


def _frame_of(study: Study, series: str, index: int) -> Frame:
    stacks = [s for s in study.stacks if s.identity.series_instance_uid == series]
    return next(s.frames[index] for s in stacks if index < len(s.frames))


def _column_spacing_mm(frame: Frame) -> float:
    dataset = pydicom.dcmread(frame.file.path, stop_before_pixels=True, force=True)
    if frame.frame_index is None:
        return _second_number(dataset)
    own = dataset.PerFrameFunctionalGroupsSequence[frame.frame_index]
    shared = dataset.get("SharedFunctionalGroupsSequence") or [Dataset()]
    for group in (own, *shared):
        if group.get("PixelMeasuresSequence"):
            (measures,) = group.PixelMeasuresSequence
            if "PixelSpacing" in measures and measures.get_item("PixelSpacing").value:
                return _second_number(measures)
    raise WrongNumberError("measured where no spacing is")


def _second_number(dataset: Dataset) -> float:
    """Column spacing from the bytes of Pixel Spacing, whatever value representation they claim."""
    raw = dataset.get_item("PixelSpacing").value
    return float(raw.decode("ascii").split("\\")[1].strip(" \0"))


# --- compressed pixels -----------------------------------------------------------------------


class CompressedImage:
    """Mutants of the compressed pixels of an image."""

    def __init__(self, folder: Path, syntax: UID, encode: Callable[[np.ndarray], bytes]) -> None:
        self.path = folder / "image.dcm"
        y, x = np.mgrid[:SIZE, :SIZE]
        image = (1000 + 500 * np.sin(x / 5) * np.cos(y / 7)).astype(np.uint16)
        self.codestream = encode(image)
        self.dataset = classic()[0]
        self.dataset.file_meta.TransferSyntaxUID = syntax

    def run(self, dice: random.Random) -> None:
        """Decode one mutant."""
        stream = mutated_bytes(self.codestream, dice, within=dice.choice((120, None, None)))
        self.dataset.PixelData = encapsulate([stream or b"\0"])
        self.dataset["PixelData"].is_undefined_length = True
        self.dataset.save_as(self.path)
        _read_some_pixels(open_study(self.path))


def jpeg_2000(folder: Path) -> CompressedImage:
    """Mutants of JPEG 2000 code streams."""
    from openjpeg.utils import encode_array

    return CompressedImage(
        folder, JPEG2000Lossless, lambda image: encode_array(image, photometric_interpretation=0)
    )


def jpeg_ls(folder: Path) -> CompressedImage:
    """Mutants of JPEG-LS code streams."""
    import jpeg_ls as codec  # type: ignore[import-untyped]

    return CompressedImage(folder, JPEGLSLossless, lambda image: bytes(codec.encode_array(image)))

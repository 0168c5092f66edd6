"""The radiographs (CR, DX) among the files of a study: what their headers say, and their pixels.

A radiograph is a projection: it has no place in patient space, and its pixels have a size in the
patient only where somebody calibrated them (DICOM PS3.3 10.7).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.uid import (
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
)

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import GeometryError, UnreadableFileError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.attributes import HEADER_ERRORS, Header
from meniscal_measure.series.headers import instance_number
from meniscal_measure.series.image_plane import image_size
from meniscal_measure.series.model import FileRef, Frame, Laterality, Refusal, Study
from meniscal_measure.series.pixel_encoding import pixel_encoding, transfer_syntax
from meniscal_measure.series.pixels import read_frames
from meniscal_measure.series.scan import HEAD_BYTES, NOT_DICOM, damaged_header, read_header
from meniscal_measure.series.side import coded_sides, hinted_sides, laterality
from meniscal_measure.series.sources import Opener

RADIOGRAPH_STORAGE = frozenset(
    {
        ComputedRadiographyImageStorage,
        DigitalXRayImageStorageForPresentation,
        DigitalXRayImageStorageForProcessing,
    }
)
"""The radiographic image objects of DICOM PS3.4 B.5 that show a leg."""

MOST_PIXELS = 16384
"""Most rows or columns: a leg of 1.3 m in pixels of 0.1 mm (common practice, no source)."""


@dataclass(frozen=True)
class StatedSpacing:
    """What the header of a radiograph says of its pixels, each (row, column)."""

    imager_mm: tuple[float, float] | None = None
    """Imager Pixel Spacing (0018,1164): at the detector."""
    pixel_mm: tuple[float, float] | None = None
    """Pixel Spacing (0028,0030)."""
    calibration_type: str = ""
    """Pixel Spacing Calibration Type (0028,0A02): GEOMETRY, FIDUCIAL or empty."""
    magnification: float | None = None
    """Estimated Radiographic Magnification Factor (0018,1114): distance of the detector from the
    source over that of the patient."""
    aspect: tuple[float, float] | None = None
    """Pixel Aspect Ratio (0028,0034): vertical and horizontal size; absent means square pixels."""


@dataclass(frozen=True)
class Radiograph:
    """One radiograph; what its header does not say is empty or None."""

    frame: Frame
    """Its file, and how its pixels are stored; its grid counts pixels, not millimetres."""
    patient_id: str
    patient_name: str
    patient_birth_date: str
    study_date: str
    laterality: Laterality
    """The side it shows; both legs, and one that is not coded, have none."""
    directions: tuple[str, str] | None
    """Patient Orientation (0020,0020): letters of the patient towards which the columns and the
    rows run."""
    spacing: StatedSpacing

    @property
    def columns_run_left(self) -> bool | None:
        """Whether the columns run towards the patient's left; None where it is not known."""
        towards = "" if self.directions is None else self.directions[0]
        known = {side for side in Side if side.value in towards}
        return None if len(known) != 1 else known == {Side.LEFT}

    def pixels(self) -> NDArray[np.float32]:
        """Read the pixels, [row, column], larger always brighter.

        Raises
        ------
        UnreadableFileError
            If they are missing, cut short or cannot be decoded.
        """
        image: NDArray[np.float32] = read_frames([self.frame])[0]
        return image


class FoundRadiographs(NamedTuple):
    """The radiographs among files, and those that cannot be used."""

    radiographs: tuple[Radiograph, ...]
    refusals: tuple[Refusal, ...]


def radiographs_of(studies: Iterable[Study]) -> FoundRadiographs:
    """Find the radiographs among the files that are not MR images of the studies, headers only.

    A second copy of one is left out. An unusable one never raises: the reason is a refusal.
    """
    found: dict[str, Radiograph] = {}
    refusals = []
    with warnings.catch_warnings(), Opener() as opener:
        warnings.filterwarnings("ignore", module=r"pydicom\b")  # checked here value by value
        for study in studies:
            for other in study.passed_over:
                if other.reason == NOT_DICOM:
                    continue
                try:
                    with opener.open(other.file) as stream:
                        radiograph = _radiograph(stream, other.file)
                except (UnreadableFileError, GeometryError) as error:
                    refusals.append(Refusal(other.file, error.reason))
                    continue
                if radiograph is not None:
                    found.setdefault(radiograph.frame.sop_instance_uid, radiograph)
    return FoundRadiographs(tuple(found.values()), tuple(refusals))


def _radiograph(stream: BinaryIO, file: FileRef) -> Radiograph | None:
    try:
        dataset, _ = read_header(stream.read(HEAD_BYTES), stream)
    except HEADER_ERRORS as error:
        raise damaged_header(error) from error
    header = Header(dataset)
    if "".join(header.strings("SOPClassUID")) not in RADIOGRAPH_STORAGE:
        return None
    directions = header.strings("PatientOrientation")
    return Radiograph(
        _frame(header, dataset, file),
        header.text("PatientID"),
        header.text("PatientName"),
        header.text("PatientBirthDate"),
        header.text("StudyDate"),
        laterality(coded_sides(header), hinted_sides(header)),
        (directions[0], directions[1]) if len(directions) == 2 else None,
        StatedSpacing(
            _pair(header, "ImagerPixelSpacing"),
            _pair(header, "PixelSpacing"),
            header.code("PixelSpacingCalibrationType"),
            header.number("EstimatedRadiographicMagnificationFactor"),
            _pair(header, "PixelAspectRatio"),
        ),
    )


def _frame(header: Header, dataset: Dataset, file: FileRef) -> Frame:
    rows, columns = image_size(header, most=MOST_PIXELS)
    return Frame(
        file=file,
        frame_index=None,
        sop_instance_uid="".join(header.strings("SOPInstanceUID")),
        grid=PixelGrid((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), 1.0, 1.0, rows, columns),
        slice_thickness_mm=None,
        encoding=pixel_encoding(header, transfer_syntax(dataset)),
        instance_number=instance_number(header),
    )


def _pair(header: Header, keyword: str) -> tuple[float, float] | None:
    values = header.numbers(keyword)
    if not values:
        return None
    if len(values) != 2:
        raise GeometryError(
            f"{keyword} has {len(values)} values where 2 are needed. Ask for the radiograph to be"
            " exported again."
        )
    return values[0], values[1]

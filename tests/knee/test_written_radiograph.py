"""Written radiographs against a DICOM validator and an independent reader."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import SimpleITK
from pydicom.dataset import Dataset

from meniscal_measure.anatomy import Side
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax, store
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from tests.knee.projected_leg import LegShape, XraySetup, projected_leg
from tests.knee.written_radiograph import StatedSize, cr_dataset, dx_dataset
from tests.workshop.knees.dicom.test_written_files import complaints

SETUP = XraySetup(pixel_mm=2.0)


def identity(side: Side) -> SeriesIdentity:
    return SeriesIdentity(study_identity("leg", 1, side), uid_for("leg"), 9, "LONG LEG")


@pytest.mark.parametrize("size", StatedSize)
@pytest.mark.parametrize("make", [cr_dataset, dx_dataset])
def test_a_radiograph_is_valid_dicom(make: Any, size: StatedSize, tmp_path: Path) -> None:
    leg = projected_leg(LegShape(Side.LEFT), SETUP)
    dataset: Dataset = make(leg, identity(Side.LEFT), size)
    store(dataset, tmp_path / "leg.dcm", TransferSyntax.UNCOMPRESSED)
    assert complaints(tmp_path / "leg.dcm") == []


@pytest.mark.parametrize("make", [cr_dataset, dx_dataset])
def test_simpleitk_reads_the_same_pixels(make: Any, tmp_path: Path) -> None:
    leg = projected_leg(LegShape(), SETUP)
    store(
        make(leg, identity(Side.RIGHT), StatedSize.FIDUCIAL),
        tmp_path / "leg.dcm",
        TransferSyntax.UNCOMPRESSED,
    )
    itk: Any = SimpleITK  # ships without types
    theirs = itk.GetArrayFromImage(itk.ReadImage(str(tmp_path / "leg.dcm")))[0]
    np.testing.assert_array_equal(theirs, leg.pixels)


def test_landmarks_are_shown_magnified() -> None:
    """Thales: what is 360 mm in the leg is 360 x 1.1 mm at the detector."""
    marks = projected_leg(LegShape(), SETUP).landmarks_px
    ends = np.array([marks["tibial_knee_centre"], marks["ankle_centre"]])
    assert np.linalg.norm(np.diff(ends, axis=0)) * 2.0 == pytest.approx(360.0 * 1.1)


def test_bone_is_bright_where_the_landmarks_say() -> None:
    leg = projected_leg(LegShape(), SETUP)
    for name in ("hip_centre", "ankle_centre"):
        column, row = (round(value) for value in leg.landmarks_px[name])
        assert leg.pixels[row, column] > 3 * np.median(leg.pixels)

"""Written series against a DICOM validator and an independent reader."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.dataset import Dataset

from meniscal_measure.workshop.knees.dicom.classic import classic_datasets
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax, store
from meniscal_measure.workshop.knees.dicom.enhanced import enhanced_dataset
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity
from meniscal_measure.workshop.knees.scanner.image import ScannedStack

DCIODVFY = Path(sys.executable).with_name("dciodvfy")
"""The validator of dicom3tools, installed with the development tools."""


def complaints(path: Path) -> list[str]:
    """Errors and warnings of dciodvfy about a file."""
    done = subprocess.run(
        [DCIODVFY, "-new", path], capture_output=True, text=True, check=False, timeout=60
    )
    lines = (done.stdout + done.stderr).splitlines()
    return [line for line in lines if line.startswith(("Error", "Warning"))]


def test_a_classic_series_is_valid_dicom(
    any_stack: ScannedStack, right_identity: SeriesIdentity, tmp_path: Path
) -> None:
    path = tmp_path / "slice.dcm"
    store(classic_datasets(any_stack, right_identity)[1], path, TransferSyntax.UNCOMPRESSED)
    assert complaints(path) == []


def test_an_enhanced_object_is_valid_dicom(
    any_stack: ScannedStack, right_identity: SeriesIdentity, tmp_path: Path
) -> None:
    path = tmp_path / "enhanced.dcm"
    store(enhanced_dataset(any_stack, right_identity), path, TransferSyntax.UNCOMPRESSED)
    assert complaints(path) == []


def test_either_side_is_valid_dicom(
    stack: ScannedStack, identity: SeriesIdentity, tmp_path: Path
) -> None:
    store(classic_datasets(stack, identity)[0], tmp_path / "1.dcm", TransferSyntax.UNCOMPRESSED)
    store(enhanced_dataset(stack, identity), tmp_path / "2.dcm", TransferSyntax.UNCOMPRESSED)
    assert complaints(tmp_path / "1.dcm") == complaints(tmp_path / "2.dcm") == []


def test_the_validator_does_complain_about_a_missing_attribute(
    stack: ScannedStack, right_identity: SeriesIdentity, tmp_path: Path
) -> None:
    dataset = classic_datasets(stack, right_identity)[0]
    del dataset.ImageOrientationPatient
    store(dataset, tmp_path / "bad.dcm", TransferSyntax.UNCOMPRESSED)
    assert any("ImageOrientationPatient" in line for line in complaints(tmp_path / "bad.dcm"))


@pytest.mark.parametrize("syntax", TransferSyntax)
def test_every_encoding_keeps_every_grey_value_and_stays_valid(
    stack: ScannedStack, right_identity: SeriesIdentity, syntax: TransferSyntax, tmp_path: Path
) -> None:
    store(classic_datasets(stack, right_identity)[0], tmp_path / "classic.dcm", syntax)
    store(enhanced_dataset(stack, right_identity), tmp_path / "enhanced.dcm", syntax)
    classic = pydicom.dcmread(tmp_path / "classic.dcm")
    enhanced = pydicom.dcmread(tmp_path / "enhanced.dcm")
    assert classic.file_meta.TransferSyntaxUID == syntax.uid
    np.testing.assert_array_equal(classic.pixel_array, stack.pixels[0])
    np.testing.assert_array_equal(enhanced.pixel_array, stack.pixels)
    assert complaints(tmp_path / "classic.dcm") == []
    assert complaints(tmp_path / "enhanced.dcm") == []


def test_simpleitk_reads_the_same_pixels_at_the_same_places(
    stack: ScannedStack, identity: SeriesIdentity, tmp_path: Path
) -> None:
    for index, dataset in enumerate(classic_datasets(stack, identity)):
        store(dataset, tmp_path / f"{index}.dcm", TransferSyntax.UNCOMPRESSED)
    itk: Any = SimpleITK  # ships without types
    names = itk.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path))
    volume = itk.ReadImage(names)
    np.testing.assert_array_equal(itk.GetArrayFromImage(volume), stack.pixels)
    for slice_index, grid in enumerate(stack.grids):
        theirs = volume.TransformIndexToPhysicalPoint((7, 11, slice_index))
        np.testing.assert_allclose(theirs, grid.to_patient([7, 11]), atol=1e-9)


@pytest.mark.parametrize("make", [lambda s, i: classic_datasets(s, i)[0], enhanced_dataset])
def test_a_value_that_breaks_its_representation_is_refused(
    make: Callable[[ScannedStack, SeriesIdentity], Dataset],
    stack: ScannedStack,
    right_identity: SeriesIdentity,
    tmp_path: Path,
) -> None:
    dataset: Dataset = make(stack, right_identity)
    with pytest.warns(UserWarning, match="exceeds the maximum length of 64"):
        dataset.StudyInstanceUID = "1." + "2" * 66
    with pytest.raises(ValueError, match="exceeds the maximum length of 64"):
        store(dataset, tmp_path / "never.dcm", TransferSyntax.UNCOMPRESSED)
    assert list(tmp_path.iterdir()) == []

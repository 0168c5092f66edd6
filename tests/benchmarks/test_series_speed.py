"""Listing and reading a study beside bare pydicom on the same files; measured, not asserted.

Run with `pytest tests/benchmarks --benchmark-only`; the group tables show the ratios.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MRImageStorage, generate_uid
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study

SERIES, SLICES, SIZE = 25, 40, 320
PRIVATE_ELEMENTS = 60
"""Scanners add far more private elements than this to each image."""


def _slice(series: int, index: int, size: int) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = MRImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID = MRImageStorage
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = "2.25.1", f"2.25.{series + 10}"
    dataset.Modality, dataset.SeriesNumber, dataset.SeriesDescription = "MR", series, "COR PD FS"
    dataset.PatientName, dataset.PatientID = "Phantom^Knee", "PHANTOM"
    dataset.ScanningSequence, dataset.ScanOptions = "SE", "FS"
    dataset.RepetitionTime, dataset.EchoTime, dataset.SliceThickness = 3000, 35, 3
    dataset.ImagePositionPatient = [-70, 3.3 * index, 60]
    dataset.ImageOrientationPatient, dataset.PixelSpacing = [1, 0, 0, 0, 0, -1], [0.5, 0.5]
    dataset.InstanceNumber = SLICES - index
    block = dataset.private_block(0x0021, "BENCHMARK", create=True)
    for element in range(PRIVATE_ELEMENTS):
        block.add_new(element, "LO", f"value {element}")
    dataset.Rows = dataset.Columns = size
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated = dataset.BitsStored = 16
    dataset.HighBit, dataset.PixelRepresentation = 15, 0
    dataset.PixelData = np.full((size, size), index, dtype="<u2").tobytes()
    return dataset


@pytest.fixture(scope="module")
def study_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 1,000 small images in 25 series."""
    folder = tmp_path_factory.mktemp("study")
    for series in range(SERIES):
        for index in range(SLICES):
            _slice(series, index, 32).save_as(folder / f"{series:02d}-{index:02d}.dcm")
    return folder


@pytest.fixture(scope="module")
def series_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one series of 30 slices of 320 x 320."""
    folder = tmp_path_factory.mktemp("series")
    for index in range(30):
        _slice(1, index, SIZE).save_as(folder / f"{index:02d}.dcm")
    return folder


@pytest.mark.benchmark(group="list 1,000 files")
def test_list_bare_pydicom(benchmark: BenchmarkFixture, study_folder: Path) -> None:
    def bare() -> int:
        paths = study_folder.iterdir()
        return sum(bool(pydicom.dcmread(path, stop_before_pixels=True)) for path in paths)

    assert benchmark(bare) == SERIES * SLICES


@pytest.mark.benchmark(group="list 1,000 files")
def test_list_open_study(benchmark: BenchmarkFixture, study_folder: Path) -> None:
    study = benchmark(open_study, study_folder)

    assert len(study.stacks) == SERIES


@pytest.mark.benchmark(group="read 30 slices of 320 x 320")
def test_read_bare_pydicom(benchmark: BenchmarkFixture, series_folder: Path) -> None:
    def bare() -> int:
        return len([pydicom.dcmread(path).pixel_array for path in series_folder.iterdir()])

    assert benchmark(bare) == 30


@pytest.mark.benchmark(group="read 30 slices of 320 x 320")
def test_read_with_scan_and_choice(benchmark: BenchmarkFixture, series_folder: Path) -> None:
    def ours() -> int:
        return len(read_pixels(choose_coronal(open_study(series_folder)).stack))

    assert benchmark(ours) == 30


@pytest.mark.benchmark(group="read 30 slices of 320 x 320")
def test_read_only_the_middle_slices(benchmark: BenchmarkFixture, series_folder: Path) -> None:
    def ours() -> int:
        stack = choose_coronal(open_study(series_folder)).stack
        return len(read_pixels(stack, range(12, 19)))

    assert benchmark(ours) == 7


@pytest.mark.benchmark(group="peak memory")
@pytest.mark.parametrize("slices", [5, 30])
def test_peak_memory(benchmark: BenchmarkFixture, series_folder: Path, slices: int) -> None:
    """Record the peak over the stored pixel data of the whole series as `peak_ratio`."""

    def peak_bytes() -> int:
        tracemalloc.start()
        stack = choose_coronal(open_study(series_folder)).stack
        pixels = read_pixels(stack, range(slices))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert len(pixels) == slices
        return peak

    peak_bytes()  # imports and caches of the first call do not count
    peak = benchmark(peak_bytes)
    benchmark.extra_info["peak_ratio"] = peak / (30 * SIZE * SIZE * 2)

"""A reading of a shipped sample, and the images it was taken on."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

import meniscal_measure
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.exchange.source_images import SourceImage, source_images
from meniscal_measure.series.model import Stack
from tests.conftest import REPOSITORY

DCIODVFY = Path(sys.executable).with_name("dciodvfy")
"""Of dicom3tools, which is installed beside the interpreter."""
SAMPLE = REPOSITORY / "sample_phantoms" / "root-tear"


@dataclass(frozen=True)
class Case:
    reading: Reading
    stack: Stack
    images: Mapping[int, SourceImage]

    @property
    def measured_image(self) -> SourceImage:
        return self.images[self.reading.measured.slice_index]


@pytest.fixture(scope="session")
def case() -> Case:
    knee = meniscal_measure.measure(SAMPLE, landmarks=SAMPLE / "landmarks.json")
    slices = (knee.reading.measured, *knee.reading.neighbours)
    images = source_images(knee.stack, [part.slice_index for part in slices])
    return Case(knee.reading, knee.stack, images)


def sample_images() -> list[Dataset]:
    return [pydicom.dcmread(path) for path in sorted((SAMPLE / "series-1").iterdir())]


def errors_of(path: Path) -> list[str]:
    """What dciodvfy, the validator of dicom3tools, finds wrong with a file."""
    done = subprocess.run(
        [str(DCIODVFY), str(path)], capture_output=True, text=True, check=False, errors="replace"
    )
    said = (done.stdout + done.stderr).splitlines()
    return [line for line in said if line.startswith(("Error", "Abort"))]


def saved(derived: Dataset, folder: Path) -> Path:
    path = folder / "object.dcm"
    derived.save_as(path, enforce_file_format=True)
    return path


collect_ignore = [] if os.environ.get("ARCHIVE_SERVERS") else ["servers"]
"""They start archive servers that listen on every address: only in a namespace of their own."""

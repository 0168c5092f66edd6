"""The shipped sample series: whole, what their recipes give, and true."""

from __future__ import annotations

import hashlib
import itertools
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest

import meniscal_measure
from meniscal_measure.anatomy import Compartment
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.workshop.knees.recipe import read_recipe
from meniscal_measure.workshop.knees.scanner import acquire
from meniscal_measure.workshop.knees.scanner.sampling import stack_grids
from meniscal_measure.workshop.knees.study import (
    plan_of,
    study_knee,
    wanted_extrusion,
    write_study,
)
from meniscal_measure.workshop.knees.synthetic_cohort import read_cohort_recipe
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

NAMES = ("exactly-3mm", "normal", "rectangular-oblique", "root-tear")

LARGEST_BYTES = 8_000_000

ROUNDING_GREY = 1
"""Processors round the last bit of a power differently, and so now and then a grey value."""


def sums(samples: Path) -> dict[str, str]:
    lines = (samples / "SHA256SUMS").read_text().splitlines()
    return {name: digest for digest, name in (line.split("  ", 1) for line in lines)}


def test_every_shipped_file_is_listed_and_intact(samples: Path) -> None:
    found = {
        path.relative_to(samples).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in samples.rglob("*")
        if path.is_file() and path.name != "SHA256SUMS"
    }
    assert sums(samples) == found


def test_the_samples_are_small(samples: Path) -> None:
    total = sum(path.stat().st_size for path in samples.rglob("*") if path.is_file())
    assert total < LARGEST_BYTES


def pairs(again: Path, shipped: Path) -> Iterator[tuple[pydicom.Dataset, pydicom.Dataset]]:
    """Each image beside the shipped one."""
    paths = sorted(again.rglob("*.dcm")), sorted(shipped.rglob("*.dcm"))
    assert [path.name for path in paths[0]] == [path.name for path in paths[1]]
    for here, there in zip(*paths, strict=True):
        yield pydicom.dcmread(here), pydicom.dcmread(there)


def grey_difference(first: pydicom.Dataset, second: pydicom.Dataset) -> int:
    return int(np.abs(first.pixel_array.astype(int) - second.pixel_array.astype(int)).max())


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["rectangular-oblique", "root-tear"])
def test_a_recipe_gives_the_shipped_series_again(samples: Path, name: str, tmp_path: Path) -> None:
    write_study(read_recipe(samples / f"{name}.toml"), tmp_path)
    for first, second in pairs(tmp_path, samples / name):
        assert grey_difference(first, second) <= ROUNDING_GREY
        del first.PixelData, second.PixelData
        assert first == second


def test_a_recipe_gives_slices_of_the_shipped_series_again(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One slice in four is imaged; the grey window is that of all of them."""
    image, count = acquire._acquire_slice, itertools.count()

    def one_in_four(specimen: Any, grid: PixelGrid, *further: Any) -> Any:
        if next(count) % 4 == 0:
            return image(specimen, grid, *further)
        nothing = np.zeros((grid.rows, grid.columns))
        return nothing, nothing.astype(np.uint8)

    monkeypatch.setattr(acquire, "_acquire_slice", one_in_four)
    write_study(read_recipe(samples / "root-tear.toml"), tmp_path)
    compared = 0
    for first, second in pairs(tmp_path, samples / "root-tear"):
        if first.pixel_array.any():
            assert grey_difference(first, second) <= ROUNDING_GREY
            compared += 1
        for dataset in (first, second):
            del dataset.PixelData, dataset.WindowCenter, dataset.WindowWidth
        assert first == second
    assert compared == 4


@pytest.mark.parametrize("name", ["exactly-3mm", "normal", "rectangular-oblique"])
def test_a_recipe_gives_the_shipped_knee_and_planes_again(samples: Path, name: str) -> None:
    """Their pixels come in the same way as those of the samples above."""
    recipe = read_recipe(samples / f"{name}.toml")
    knee = SyntheticKnee(study_knee(recipe, wanted_extrusion(recipe.extrusion)))
    truth = json.loads((samples / name / "truth.json").read_text())
    images = map(pydicom.dcmread, (samples / name).rglob("*.dcm"))
    shipped = {image.SOPInstanceUID: image.ImagePositionPatient for image in images}
    for item, known in zip(recipe.imaging.series, truth["series"], strict=True):
        grids = stack_grids(plan_of(item, knee))
        for grid, one in zip(grids, known["slices"], strict=True):
            assert list(shipped[one["sop_instance_uid"]]) == pytest.approx(grid.position_mm)
        middle = known["measured_slice"]
        found = {where.value: mm for where, mm in knee.extrusion_on(grids[middle]).items()}
        stated = known["slices"][middle]
        assert {where: stated[where]["extrusion_mm"] for where in found} == pytest.approx(found)


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_landmarks_measure_the_shipped_truth(samples: Path, name: str) -> None:
    folder = samples / name
    knee = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    series = json.loads((folder / "truth.json").read_text())["series"][0]
    known = series["slices"][series["measured_slice"]]
    assert knee.reading.measured.sop_instance_uid == known["sop_instance_uid"]
    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        found = knee.reading.measured.compartments[compartment].extrusion.extrusion_mm
        assert found == pytest.approx(known[compartment.value]["extrusion_mm"], abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_files_are_valid_dicom(samples: Path, name: str) -> None:
    """No error and no warning by dciodvfy of dicom3tools."""
    checker = Path(sys.executable).with_name("dciodvfy")
    first = min((samples / name).rglob("*.dcm"))
    done = subprocess.run(
        [checker, "-new", first], capture_output=True, text=True, check=False, timeout=60
    )
    found = (done.stdout + done.stderr).splitlines()
    assert [line for line in found if line.startswith(("Error", "Warning"))] == []


def test_exactly_three_millimetres_is_exactly_that(samples: Path) -> None:
    folder = samples / "exactly-3mm"
    knee = meniscal_measure.measure(folder, landmarks=folder / "landmarks.json")
    assert knee.medial is not None
    assert knee.medial.extrusion.extrusion_mm == pytest.approx(3.0, abs=1e-9)


def test_the_cohort_recipe_can_be_read(samples: Path) -> None:
    assert read_cohort_recipe(samples / "cohort.toml").cohort.knees == 6

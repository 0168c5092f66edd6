"""Radiographs among the files of a study: recognised, read, or refused with the reason."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydicom.dataset import Dataset

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.series.radiographs import FoundRadiographs, StatedSpacing, radiographs_of
from meniscal_measure.series.scan import open_study
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax, store
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from tests.knee.projected_leg import (
    LegShape,
    ProjectedLeg,
    XraySetup,
    projected_leg,
)
from tests.knee.written_radiograph import StatedSize, cr_dataset, dx_dataset


@pytest.fixture(scope="module")
def leg() -> ProjectedLeg:
    return projected_leg(LegShape(Side.LEFT), XraySetup(1.25, 2.0))


IDENTITY = SeriesIdentity(study_identity("leg", 1, Side.LEFT), uid_for("leg"), 9, "LONG LEG")


def found_in(folder: Path, *datasets: Dataset, syntax: Any = TransferSyntax.UNCOMPRESSED) -> Any:
    for number, dataset in enumerate(datasets):
        store(dataset, folder / f"{number}.dcm", syntax)
    return radiographs_of([open_study(folder)])


@pytest.mark.parametrize("make", [cr_dataset, dx_dataset])
@pytest.mark.parametrize("syntax", [TransferSyntax.UNCOMPRESSED, TransferSyntax.JPEG_LS])
def test_a_radiograph_is_read_as_it_was_written(
    make: Any, syntax: TransferSyntax, leg: ProjectedLeg, tmp_path: Path
) -> None:
    (one,) = found_in(tmp_path, make(leg, IDENTITY, StatedSize.GEOMETRY), syntax=syntax).radiographs
    np.testing.assert_array_equal(one.pixels(), leg.pixels)
    assert one.spacing == StatedSpacing((2.0, 2.0), (1.6, 1.6), "GEOMETRY")
    assert one.laterality.side is Side.LEFT
    assert one.columns_run_left is True
    assert one.patient_id == "PHANTOM-LEG"


def test_the_magnification_factor_is_read(leg: ProjectedLeg, tmp_path: Path) -> None:
    (one,) = found_in(tmp_path, dx_dataset(leg, IDENTITY, StatedSize.FACTOR)).radiographs
    assert one.spacing == StatedSpacing((2.0, 2.0), magnification=1.25)


def test_where_black_is_high_the_values_are_mirrored(leg: ProjectedLeg, tmp_path: Path) -> None:
    dataset = cr_dataset(leg, IDENTITY, StatedSize.DETECTOR)
    dataset.PhotometricInterpretation = "MONOCHROME1"
    (one,) = found_in(tmp_path, dataset).radiographs
    np.testing.assert_array_equal(one.pixels(), 4095.0 - leg.pixels)


def test_slices_of_magnetic_resonance_are_no_radiographs(samples: Path) -> None:
    assert radiographs_of([open_study(samples / "root-tear")]) == FoundRadiographs((), ())


def test_a_second_copy_is_left_out(leg: ProjectedLeg, tmp_path: Path) -> None:
    twice = [cr_dataset(leg, IDENTITY, StatedSize.DETECTOR) for _ in range(2)]
    assert len(found_in(tmp_path, *twice).radiographs) == 1


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda d: setattr(d, "Rows", 0), "Rows is 0"),
        (lambda d: delattr(d, "Columns"), "Columns is missing"),
        (lambda d: setattr(d, "PixelSpacing", ["0.1"]), "PixelSpacing has 1 value"),
        (lambda d: setattr(d, "PhotometricInterpretation", "RGB"), "only grey-scale images"),
    ],
)
def test_an_unusable_radiograph_is_refused_with_the_reason(
    damage: Callable[[Dataset], None], said: str, leg: ProjectedLeg, tmp_path: Path
) -> None:
    dataset = cr_dataset(leg, IDENTITY, StatedSize.DETECTOR)
    damage(dataset)
    found = found_in(tmp_path, dataset)
    assert found.radiographs == ()
    assert said in found.refusals[0].reason


def test_pixels_cut_short_are_refused(leg: ProjectedLeg, tmp_path: Path) -> None:
    (one,) = found_in(tmp_path, cr_dataset(leg, IDENTITY, StatedSize.DETECTOR)).radiographs
    whole = (tmp_path / "0.dcm").read_bytes()
    (tmp_path / "0.dcm").write_bytes(whole[:-1000])
    with pytest.raises(UnreadableFileError, match="cannot be decoded"):
        one.pixels()

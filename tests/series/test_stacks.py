"""Stacks are grouped, ordered and checked by geometry, never by names or numbers."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import SimpleITK
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from meniscal_measure.anatomy import Plane
from meniscal_measure.findings import Code, Finding
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.stacks import NAMED_PLANE_TILT_DEG, plane_of
from tests.series.conftest import Build, BuildMany, Save, only_stack

few_files = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def rotation(about_x: float, about_y: float, about_z: float) -> NDArray[np.float64]:
    """Compose rotations about the patient axes, angles in radians."""
    (cx, cy, cz), (sx, sy, sz) = (
        f(np.array([about_x, about_y, about_z])) for f in (np.cos, np.sin)
    )
    turn_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    turn_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    turn_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    return np.asarray(turn_z @ turn_y @ turn_x)


angles = st.tuples(*[st.floats(-np.pi, np.pi)] * 3)


def rounded(values: NDArray[np.float64]) -> list[float]:
    """Round as archives do, to what a DICOM decimal string holds."""
    return [round(float(value), 8) for value in values]


def simpleitk_order(folder: Path) -> list[str]:
    simpleitk: Any = SimpleITK  # it carries no types
    return list(simpleitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))


# --- ordering ------------------------------------------------------------------------------


@few_files
@given(
    turn=angles,
    gaps_mm=st.lists(st.floats(0.5, 6), min_size=1, max_size=7),
    random=st.randoms(use_true_random=False),
)
def test_order_follows_position_whatever_the_names_numbers_and_obliquity(
    mr_slice: Build, turn: tuple[float, float, float], gaps_mm: list[float], random: Any
) -> None:
    axes = rotation(*turn)
    depths_mm = np.concatenate([[0.0], np.cumsum(gaps_mm)]) - 10
    numbers = random.sample(range(100), len(depths_mm))
    with tempfile.TemporaryDirectory() as folder:
        for number, depth_mm in zip(numbers, depths_mm, strict=True):
            mr_slice(
                ImageOrientationPatient=rounded(np.concatenate([axes[:, 0], axes[:, 1]])),
                ImagePositionPatient=rounded(axes @ [-70.0, -60.0, depth_mm]),
                InstanceNumber=int(random.randrange(1000)),
            ).save_as(Path(folder) / f"{number:03d}.dcm", enforce_file_format=True)

        stack = only_stack(Path(folder))

    assert np.allclose(stack.positions_mm, depths_mm, atol=1e-5)
    names = [int(frame.file.path.stem) for frame in stack.frames]
    assert names == numbers


@few_files
@given(turn=angles, count=st.integers(2, 8), random=st.randoms(use_true_random=False))
def test_order_agrees_with_simpleitk(
    mr_slice: Build, turn: tuple[float, float, float], count: int, random: Any
) -> None:
    """Outside check: SimpleITK's GDCM series reader on the same files."""
    axes = rotation(*turn)
    numbers = random.sample(range(100), count)
    with tempfile.TemporaryDirectory() as folder:
        for index, number in enumerate(numbers):
            mr_slice(
                ImageOrientationPatient=rounded(np.concatenate([axes[:, 0], axes[:, 1]])),
                ImagePositionPatient=rounded(axes @ [-70.0, -60.0, 3.3 * index]),
                InstanceNumber=number,
            ).save_as(Path(folder) / f"{number:03d}.dcm", enforce_file_format=True)

        ours = [str(frame.file.path) for frame in only_stack(Path(folder)).frames]
        theirs = simpleitk_order(Path(folder))

    assert ours == theirs


def test_the_usual_coronal_runs_from_anterior_to_posterior(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([6, 0, 3]))

    stack = only_stack(tmp_path)

    assert [frame.grid.position_mm[1] for frame in stack.frames] == [0, 3, 6]
    assert stack.frames[0].grid.normal.tolist() == [0, 1, 0]


def test_the_real_knee_is_in_order_though_its_numbers_run_backwards(real_knee: Path) -> None:
    (stack,) = open_study(real_knee / "cor-pd-fs").stacks

    assert all(b - a == pytest.approx(3.3) for a, b in pairwise(stack.positions_mm))
    theirs = simpleitk_order(real_knee / "cor-pd-fs")
    assert [str(frame.file.path) for frame in stack.frames] == theirs


@pytest.mark.parametrize(
    ("image_type", "kinds"),
    [
        (["ORIGINAL", "PRIMARY", "M", "SE"], []),
        (["DERIVED", "PRIMARY", "DIXON", "WATER"], []),
        (["ORIGINAL", "PRIMARY", "LOCALIZER"], ["LOCALIZER"]),
        (["DERIVED", "SECONDARY", "PROJECTION IMAGE"], ["PROJECTION IMAGE"]),
        (["DERIVED", "PRIMARY", "T2 MAP"], ["T2 MAP"]),
    ],
)
def test_images_that_are_no_plain_slices_are_warned_of(
    tmp_path: Path, mr_stack: BuildMany, save: Save, image_type: list[str], kinds: list[str]
) -> None:
    save(tmp_path, mr_stack([0, 3], ImageType=image_type))

    found = [one for one in only_stack(tmp_path).findings if one.code is Code.NO_PLAIN_SLICES]

    assert [one.values["kind"] for one in found] == kinds


# --- grouping ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "other",
    [
        {"SeriesInstanceUID": "2.25.9"},
        {"EchoTime": 80},
        {"ImageType": ["ORIGINAL", "PRIMARY", "M", "W"]},
        {"ImageOrientationPatient": [0.9397, 0.342, 0, 0, 0, -1]},
        {"PixelSpacing": [0.6, 0.6]},
        {"FrameOfReferenceUID": "2.25.9"},
    ],
)
def test_frames_that_differ_in_more_than_position_are_kept_apart(
    tmp_path: Path, mr_stack: BuildMany, save: Save, other: dict[str, Any]
) -> None:
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([1, 4], **other)])

    assert [len(stack.frames) for stack in open_study(tmp_path).stacks] == [2, 2]


def test_rounding_of_the_direction_cosines_splits_no_stack(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    tilted = [0.99863, 0.05234, 0, 0, 0, -1]
    rounded_more = [0.9986, 0.0523, 0, 0, 0, -1]
    save(
        tmp_path,
        [
            *mr_stack([0], ImageOrientationPatient=tilted),
            *mr_stack([3], ImageOrientationPatient=rounded_more),
        ],
    )

    assert len(only_stack(tmp_path).frames) == 2


def test_mixed_image_sizes_make_two_stacks_and_are_said(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    small = mr_stack([9], Rows=6, PixelData=b"\0" * 120)
    save(tmp_path, [*mr_stack([0, 3]), *small])

    for stack in open_study(tmp_path).stacks:
        assert Finding(Code.SEVERAL_STACKS, {"count": 2}) in stack.findings
        assert Finding(Code.MIXED_SIZES, {"sizes": "10 x 6, 10 x 12"}) in stack.findings


@pytest.mark.parametrize("spacing", [[0.500004, 0.4], [0.50004, 0.39996], [0.50005, 0.4]])
def test_rounding_of_the_spacing_splits_no_stack(
    tmp_path: Path, mr_stack: BuildMany, save: Save, spacing: list[float]
) -> None:
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([6, 9], PixelSpacing=spacing)])

    stack = only_stack(tmp_path)

    assert len(stack.frames) == 4
    assert stack.findings == ()


@pytest.mark.parametrize("column_mm", [0.46, 0.404])
def test_another_spacing_makes_another_stack_and_is_said(
    tmp_path: Path, mr_stack: BuildMany, save: Save, column_mm: float
) -> None:
    save(tmp_path, [*mr_stack([0, 3]), *mr_stack([6, 9], PixelSpacing=[0.5, column_mm])])

    first, second = open_study(tmp_path).stacks

    said = Finding(Code.MIXED_SPACINGS, {"spacings": f"0.5 x 0.4, 0.5 x {column_mm}"})
    assert said in first.findings
    assert said in second.findings


# --- findings ------------------------------------------------------------------------------


def test_an_even_stack_has_no_findings(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    save(tmp_path, mr_stack([0, 3.3, 6.6, 9.9]))

    stack = only_stack(tmp_path)

    assert stack.findings == ()
    assert stack.spacing_mm == pytest.approx(3.3)


def test_missing_slices_are_said(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    save(tmp_path, mr_stack([0, 3, 6, 12, 15]))

    (found,) = only_stack(tmp_path).findings
    assert found.code is Code.MISSING_SLICES
    assert str(found) == ("Missing slices: 6.00 mm between slices 2 and 3, usually 3.00 mm.")
    assert "between slices 3 and 4" in found.words(slice_name=lambda index: str(index + 1))


def test_every_gap_with_missing_slices_is_said(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3, 6, 12, 15, 24, 27]))

    findings = only_stack(tmp_path).findings

    assert [found.code for found in findings] == [Code.MISSING_SLICES] * 2
    assert [found.values["before"] for found in findings] == [2, 4]


def test_uneven_gaps_are_said(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    save(tmp_path, mr_stack([0, 3, 6.5, 9.5]))

    (found,) = only_stack(tmp_path).findings
    assert found.code is Code.UNEVEN_GAPS
    assert found.values == pytest.approx({"least_mm": 3.0, "most_mm": 3.5})


@pytest.mark.parametrize("spacing_mm", [0.02, 400.0])
def test_slices_as_far_apart_as_in_no_knee_are_said(
    tmp_path: Path, mr_stack: BuildMany, save: Save, spacing_mm: float
) -> None:
    save(tmp_path, mr_stack([0, spacing_mm, 2 * spacing_mm]))

    (found,) = only_stack(tmp_path).findings
    assert found.code is Code.UNUSUAL_SLICE_SPACING
    assert f"{spacing_mm:g} mm apart" in str(found)


def test_shifted_slices_are_said(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    shifted = mr_stack([0], ImagePositionPatient=[2, 6, 0])
    save(tmp_path, [*mr_stack([0, 3]), *shifted])

    (found,) = only_stack(tmp_path).findings
    assert found.code is Code.SHIFTED_SLICES
    assert found.values == pytest.approx({"drift_mm": 2.0})


def test_a_stray_duplicate_leaves_the_stack_whole(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    again = mr_stack([3], InstanceNumber=9)
    save(tmp_path, [*again, *mr_stack([0, 3, 6])])

    whole, stray = sorted(open_study(tmp_path).stacks, key=lambda stack: -len(stack.frames))

    assert whole.positions_mm == (0, 3, 6)
    assert stray.frames[0].sop_instance_uid == again[0].SOPInstanceUID
    assert Finding(Code.DUPLICATES, {"count": 1}) in whole.findings
    assert Finding(Code.DUPLICATES, {"count": 1}) in stray.findings


def test_repetitions_of_a_whole_stack_become_stacks_in_order_of_instance_number(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    numbered = [(3, 4), (0, 3), (0, 1), (3, 2)]
    save(
        tmp_path,
        [
            mr_slice(ImagePositionPatient=[0, position_mm, 0], InstanceNumber=number)
            for position_mm, number in numbered
        ],
    )

    first, second = open_study(tmp_path).stacks

    assert first.positions_mm == second.positions_mm == (0, 3)
    names = {
        (stack.frames[0].file.path.stem, stack.frames[1].file.path.stem)
        for stack in (first, second)
    }
    assert names == {("0002", "0003"), ("0001", "0000")}


# --- planes --------------------------------------------------------------------------------


@given(
    tilt_deg=st.floats(0, NAMED_PLANE_TILT_DEG - 0.01),
    direction=st.floats(-np.pi, np.pi),
    sign=st.sampled_from([-1, 1]),
)
def test_a_coronal_plane_may_be_tilted_either_way(
    tilt_deg: float, direction: float, sign: int
) -> None:
    tilt = np.radians(tilt_deg)
    sideways = np.array([np.cos(direction), 0, np.sin(direction)])

    normal = sign * (np.cos(tilt) * np.array([0.0, 1.0, 0.0]) + np.sin(tilt) * sideways)

    assert plane_of(normal) is Plane.CORONAL


@pytest.mark.parametrize(
    ("normal", "plane"),
    [
        ([1, 0, 0], Plane.SAGITTAL),
        ([0, -1, 0], Plane.CORONAL),
        ([0, 0, 1], Plane.AXIAL),
        ([1, 1, 0], Plane.OBLIQUE),
        ([1, 1, 1], Plane.OBLIQUE),
    ],
)
def test_planes_are_named_by_their_nearest_axis(normal: list[float], plane: Plane) -> None:
    assert plane_of(np.array(normal, dtype=float)) is plane

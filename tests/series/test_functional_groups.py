"""Each attribute comes from the functional group macro that DICOM PS3.3 C.7.6.16 puts it in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydicom.dataset import Dataset, FileDataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import LegacyConvertedEnhancedMRImageStorage

from meniscal_measure.anatomy import Plane
from meniscal_measure.series.model import Stack
from meniscal_measure.series.scan import open_study
from tests.series.conftest import Build, Save

FRAMES = [(0, 35, "1"), (3, 35, "1"), (6, 35, "1")]
SAGITTAL = [0.0, 1.0, 0.0, 0.0, 0.0, -1.0]


def item(**attributes: Any) -> Dataset:
    dataset = Dataset()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return dataset


def false_geometry() -> Dataset:
    """Geometry where nobody is to look for it."""
    return item(
        PixelSpacing=[0.65, 0.65],
        ImageOrientationPatient=SAGITTAL,
        ImagePositionPatient=[77, 77, 77],
        SliceThickness=9,
        RescaleSlope=5,
        FrameLaterality="L",
        StackID="9",
        EffectiveEchoTime=99,
    )


def in_private_sequence(group: Dataset) -> None:
    block = group.private_block(0x0021, "VENDOR", create=True)
    block.add_new(0x10, "SQ", DicomSequence([false_geometry()]))


def in_sequence(keyword: str) -> Callable[[Dataset], None]:
    def add(group: Dataset) -> None:
        setattr(group, keyword, DicomSequence([false_geometry()]))

    return add


def within_pixel_measures(group: Dataset) -> None:
    measures = item(PixelSpacing=[0.5, 0.4], SliceThickness=3)
    measures.ReferencedImageSequence = DicomSequence([false_geometry()])
    group.PixelMeasuresSequence = DicomSequence([measures])


ELSEWHERE = {
    "private sequence": in_private_sequence,
    "Referenced Image Sequence": in_sequence("ReferencedImageSequence"),
    "Derivation Image Sequence (0008,9124)": in_sequence("DerivationImageSequence"),
    "Source Image Sequence": in_sequence("SourceImageSequence"),
    "Unassigned Per-Frame Converted Attributes Sequence (0020,9171)": in_sequence(
        "UnassignedPerFrameConvertedAttributesSequence"
    ),
    "another macro": in_sequence("MRTimingAndRelatedParametersSequence"),
    "nested in the right macro": within_pixel_measures,
}


def one_stack(folder: Path) -> Stack:
    study = open_study(folder)
    assert not study.refusals
    (stack,) = study.stacks
    return stack


def facts(stack: Stack) -> tuple[object, ...]:
    """What the measurement takes from the header."""
    frames = [(f.grid, f.slice_thickness_mm, f.encoding) for f in stack.frames]
    return frames, stack.plane, stack.laterality, stack.contrast.echo_time_ms


@pytest.mark.parametrize("legacy", [False, True])
@pytest.mark.parametrize("add", ELSEWHERE.values(), ids=ELSEWHERE)
@pytest.mark.parametrize("shared", [False, True])
def test_geometry_in_another_sequence_changes_nothing(
    tmp_path: Path,
    multiframe: Build,
    save: Save,
    add: Callable[[Dataset], None],
    shared: bool,
    legacy: bool,
) -> None:
    kind = {"sop_class": LegacyConvertedEnhancedMRImageStorage} if legacy else {}
    plain, dataset = multiframe(FRAMES, **kind), multiframe(FRAMES, **kind)
    for group in (
        dataset.SharedFunctionalGroupsSequence
        if shared
        else dataset.PerFrameFunctionalGroupsSequence
    ):
        add(group)
    save(tmp_path / "plain", [plain])
    save(tmp_path / "more", [dataset])

    found = one_stack(tmp_path / "more")

    assert facts(found) == facts(one_stack(tmp_path / "plain")) or shared
    assert found.plane is Plane.CORONAL
    assert {f.grid.row_spacing_mm for f in found.frames} == {0.5}


def test_the_macro_of_the_frame_comes_before_the_shared_one(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    dataset = multiframe(FRAMES)
    for group in dataset.PerFrameFunctionalGroupsSequence:
        group.PixelMeasuresSequence = DicomSequence([item(PixelSpacing=[0.3, 0.3])])
    save(tmp_path, [dataset])

    assert {f.grid.row_spacing_mm for f in one_stack(tmp_path).frames} == {0.3}


def test_a_macro_with_two_items_is_refused(tmp_path: Path, multiframe: Build, save: Save) -> None:
    """PS3.3 C.7.6.16.2.1: only a single item shall be included."""
    dataset = multiframe(FRAMES)
    shared = dataset.SharedFunctionalGroupsSequence[0]
    shared.PixelMeasuresSequence.append(item(PixelSpacing=[0.65, 0.65]))
    save(tmp_path, [dataset])

    study = open_study(tmp_path)

    assert not study.stacks
    assert "PixelMeasuresSequence has 2 items" in study.refusals[0].reason


def everywhere_but_in(macro: str, dataset: FileDataset) -> FileDataset:
    """Take a macro away, and put what it holds wherever else a header has room for it."""
    shared, frames = (
        dataset.SharedFunctionalGroupsSequence,
        dataset.PerFrameFunctionalGroupsSequence,
    )
    for group in (*shared, *frames):
        group.pop(macro, None)
        for name, add in ELSEWHERE.items():
            if name != "nested in the right macro":
                add(group)
    for element in false_geometry():
        dataset.add(element)
    return dataset


@pytest.mark.parametrize(
    ("macro", "keyword"),
    [
        ("PixelMeasuresSequence", "PixelSpacing"),
        ("PlaneOrientationSequence", "ImageOrientationPatient"),
        ("PlanePositionSequence", "ImagePositionPatient"),
    ],
)
def test_nothing_stands_in_for_a_missing_macro_of_the_geometry(
    tmp_path: Path, multiframe: Build, save: Save, macro: str, keyword: str
) -> None:
    save(tmp_path, [everywhere_but_in(macro, multiframe(FRAMES))])

    study = open_study(tmp_path)

    assert not study.stacks
    assert f"{keyword} is missing" in study.refusals[0].reason


def test_nothing_stands_in_for_a_missing_side_or_grey_scale(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    dataset = everywhere_but_in("FrameAnatomySequence", multiframe(FRAMES))
    save(tmp_path, [everywhere_but_in("PixelValueTransformationSequence", dataset)])

    stack = one_stack(tmp_path)

    assert stack.laterality.side is None
    assert {frame.encoding.rescale_slope for frame in stack.frames} == {1.0}


@pytest.mark.parametrize("place", [0, 1])
def test_two_sets_of_shared_groups_are_refused(
    tmp_path: Path, multiframe: Build, save: Save, place: int
) -> None:
    found = multiframe(FRAMES)
    found.SharedFunctionalGroupsSequence.insert(
        place, item(PixelMeasuresSequence=DicomSequence([item(PixelSpacing=[0.65, 0.65])]))
    )
    save(tmp_path, [found])

    study = open_study(tmp_path)

    assert not study.stacks
    assert "SharedFunctionalGroupsSequence has 2 items" in study.refusals[0].reason

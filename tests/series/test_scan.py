"""Every file under a path is used, refused with a reason, or passed over with a reason."""

from __future__ import annotations

import gc
import io
import shutil
import subprocess
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.data import get_testdata_file
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.fileset import FileSet
from pydicom.tag import Tag
from pydicom.uid import (
    UID,
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedMRImageStorage,
    generate_uid,
)

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.series.attribute_places import TAGS
from meniscal_measure.series.attributes import HEADER_ERRORS, Header
from meniscal_measure.series.scan import damaged_header, open_study, read_header
from tests.series.conftest import Build, BuildMany, Save


def slice_count(path: Path) -> int:
    return sum(len(stack.frames) for stack in open_study(path).stacks)


# --- where files are found -----------------------------------------------------------------


def test_a_folder_is_searched_to_any_depth(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    save(tmp_path / "a" / "b" / "c", mr_stack([0, 3]))
    save(tmp_path / "d", mr_stack([6]))

    (stack,) = open_study(tmp_path).stacks

    assert stack.positions_mm == (0, 3, 6)


def test_one_file_is_a_study(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    path, _ = save(tmp_path, mr_stack([0, 3]))

    assert slice_count(path) == 1


def test_a_zip_archive_gives_its_members(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    paths = save(tmp_path / "in", mr_stack([0, 3]))
    archive = tmp_path / "study.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in paths:
            packed.write(path, f"deep/{path.stem}")

    (stack,) = open_study(archive).stacks

    assert [frame.file.member for frame in stack.frames] == ["deep/0000", "deep/0001"]


def test_zip_archives_within_a_folder_are_opened(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    paths = save(tmp_path / "in", mr_stack([0, 3]))
    with zipfile.ZipFile(tmp_path / "Export.ZIP", "w") as packed:
        for path in paths:
            packed.write(path, path.name)
    shutil.rmtree(tmp_path / "in")
    (tmp_path / "cut.zip").write_bytes((tmp_path / "Export.ZIP").read_bytes()[:-100])

    study = open_study(tmp_path)

    assert slice_count(tmp_path) == 2
    assert [item.file.path.name for item in study.refusals] == ["cut.zip"]
    assert "Unpack it" in study.refusals[0].reason


@pytest.mark.filterwarnings("ignore:Implicitly cleaning up:ResourceWarning")  # pydicom's FileSet
def test_a_dicomdir_is_followed_on_media_mounted_in_small_letters(
    tmp_path: Path, mr_stack: BuildMany
) -> None:
    file_set = FileSet()
    for dataset in mr_stack([0, 3], StudyDate="20200101", StudyTime="120000", StudyID="1"):
        file_set.add(dataset)
    file_set.write(tmp_path / "disc")
    del file_set
    gc.collect()
    for path in (tmp_path / "disc").rglob("*"):
        if path.is_file():
            small = tmp_path / str(path.relative_to(tmp_path)).lower().replace("disc", "mounted")
            small.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, small)

    assert slice_count(tmp_path / "mounted" / "dicomdir") == 2


@pytest.mark.filterwarnings("ignore:Implicitly cleaning up:ResourceWarning")  # pydicom's FileSet
def test_a_dicomdir_decides_which_files_count(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    file_set = FileSet()
    for dataset in mr_stack([0, 3], StudyDate="20200101", StudyTime="120000", StudyID="1"):
        file_set.add(dataset)
    file_set.write(tmp_path)
    del file_set
    gc.collect()
    save(tmp_path, mr_stack([6]))

    assert slice_count(tmp_path / "DICOMDIR") == 2
    assert slice_count(tmp_path) == 3


def test_a_file_that_a_dicomdir_names_in_vain_is_refused(tmp_path: Path) -> None:
    source = get_testdata_file("DICOMDIR")
    assert isinstance(source, str)
    shutil.copy(source, tmp_path / "DICOMDIR")

    study = open_study(tmp_path / "DICOMDIR")

    assert not study.stacks
    assert "No such file" in study.refusals[0].reason


def test_files_need_neither_preamble_nor_extension(tmp_path: Path, mr_stack: BuildMany) -> None:
    for number, dataset in enumerate(mr_stack([0, 3, 6])):
        del dataset.file_meta
        dataset.preamble = None
        dataset.save_as(tmp_path / f"IM{number}", implicit_vr=number == 0, little_endian=True)

    assert slice_count(tmp_path) == 3


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_other_transfer_syntaxes_read_alike(
    tmp_path: Path, mr_slice: Build, save: Save, syntax: UID
) -> None:
    dataset = mr_slice()
    dataset.file_meta.TransferSyntaxUID = syntax

    save(tmp_path, [dataset])

    (stack,) = open_study(tmp_path).stacks
    assert stack.frames[0].grid.columns == 10


def test_a_header_longer_than_what_is_read_at_once_is_read_whole(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    dataset = mr_slice()
    dataset.private_block(0x0019, "TEST", create=True).add_new(0x01, "OB", b"\0" * 100_000)

    save(tmp_path, [dataset])

    assert slice_count(tmp_path) == 1


def test_progress_counts_the_files(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    save(tmp_path, mr_stack([0, 3]))
    seen: list[tuple[int, int]] = []

    open_study(tmp_path, progress=lambda done, total: seen.append((done, total)))

    assert seen == [(1, 2), (2, 2)]


def test_a_path_that_does_not_exist_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"nowhere does not exist. Name a folder"):
        open_study(tmp_path / "nowhere")


def test_a_damaged_zip_is_named(tmp_path: Path) -> None:
    path = tmp_path / "study.zip"
    path.write_bytes(b"PK\x03\x04 and then nothing")

    with pytest.raises(UnreadableFileError, match=r"study.zip is a damaged zip archive"):
        open_study(path)


# --- what is passed over -------------------------------------------------------------------


def test_foreign_files_are_passed_over_and_hide_nothing(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3]))
    for name in ("README.md", "notes.json", "table.csv", "picture.png", "empty", "._0000.dcm"):
        (tmp_path / name).write_bytes(b"" if name == "empty" else b"\x89PNG or words " * 20)

    study = open_study(tmp_path)

    assert slice_count(tmp_path) == 2
    assert not study.refusals
    assert {item.reason for item in study.passed_over} == {"not a DICOM file"}
    assert len(study.passed_over) == 6


def test_other_dicom_objects_are_passed_over_by_name(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    save(tmp_path, [mr_slice(SOPClassUID=CTImageStorage)])

    study = open_study(tmp_path)

    assert study.passed_over[0].reason == "CT Image Storage, not an MR image"


def test_a_second_copy_of_an_image_is_passed_over(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    path, _ = save(tmp_path, mr_stack([0, 3]))
    shutil.copy(path, tmp_path / "copy.dcm")

    study = open_study(tmp_path)

    assert slice_count(tmp_path) == 2
    assert study.passed_over[0].file.path.name == "copy.dcm"
    assert "second copy" in study.passed_over[0].reason


def test_reused_instance_uids_hide_no_slice(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3], SOPInstanceUID=generate_uid()))

    assert slice_count(tmp_path) == 2


# --- what is refused -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("attributes", "reason"),
    [
        ({"PixelSpacing": None}, "PixelSpacing is missing"),
        ({"PixelSpacing": [0.5]}, "PixelSpacing has 1 value where 2 are needed"),
        ({"PixelSpacing": [0, 0]}, "PixelSpacing is 0.0.*must be positive"),
        ({"PixelSpacing": [-0.5, 0.5]}, "PixelSpacing is -0.5.*must be positive"),
        ({"ImagePositionPatient": None}, "ImagePositionPatient is missing"),
        ({"ImageOrientationPatient": None}, "ImageOrientationPatient is missing"),
        (
            {"ImageOrientationPatient": [1, 0, 0, 0.3, 0, -0.95]},
            "ImageOrientationPatient.*right angle",
        ),
        ({"Rows": None}, "Rows is missing"),
        ({"Rows": 0}, "Rows is 0"),
        ({"Rows": 4097}, "Rows is 4097"),
        ({"Columns": 65535}, "Columns 65535"),
        ({"PhotometricInterpretation": "RGB"}, "PhotometricInterpretation is RGB"),
        ({"PixelData": b"\0\0"}, "PixelData is cut short.*promises 252 bytes"),
    ],
)
def test_an_unusable_mr_image_is_refused_by_attribute_and_the_others_stay(
    tmp_path: Path,
    mr_slice: Build,
    save: Save,
    attributes: dict[str, Any],
    reason: str,
) -> None:
    save(tmp_path, [mr_slice(), mr_slice(**attributes), mr_slice(ImagePositionPatient=[0, 3, 0])])

    study = open_study(tmp_path)

    assert slice_count(tmp_path) == 2
    (refusal,) = study.refusals
    assert refusal.file.path.name == "0001.dcm"
    with pytest.raises(AssertionError, match=reason):
        raise AssertionError(refusal.reason)


@pytest.mark.parametrize("value", [b"nan\\nan ", b"a lot ", b"inf\\0.5 "])
def test_a_spacing_that_is_no_finite_number_is_refused(
    tmp_path: Path, mr_slice: Build, save: Save, value: bytes
) -> None:
    (path,) = save(tmp_path, [mr_slice(PixelSpacing=[1.25, 1.25])])
    whole = path.read_bytes()
    plain = b"1.25\\1.25 "
    assert whole.count(plain) == 1
    path.write_bytes(whole.replace(plain, value.ljust(len(plain))))

    (refusal,) = open_study(tmp_path).refusals

    assert refusal.reason.startswith("PixelSpacing is")


def test_a_header_cut_short_is_refused_wherever_it_ends(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    (path,) = save(tmp_path / "whole", [mr_slice()])
    whole = path.read_bytes()
    for length in range(140, len(whole), 7):
        cut = tmp_path / "cut.dcm"
        cut.write_bytes(whole[:length])

        study = open_study(cut)

        assert not study.stacks, f"{length} of {len(whole)} bytes were taken for a whole image"
        assert study.refusals, f"nothing was said of a file of {length} bytes"


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    changes=st.lists(
        st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=30
    )
)
def test_random_damage_never_stops_the_scan(
    mr_slice: Build, changes: list[tuple[float, int]]
) -> None:
    buffer = io.BytesIO()
    mr_slice().save_as(buffer, enforce_file_format=True)
    damaged = bytearray(buffer.getvalue())
    for place, value in changes:
        damaged[132 + int(place * (len(damaged) - 132))] = value
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "whole.dcm").write_bytes(buffer.getvalue())
        Path(folder, "damaged").write_bytes(bytes(damaged))

        study = open_study(folder)

    names = [frame.file.path.name for stack in study.stacks for frame in stack.frames]
    names += [item.file.path.name for item in (*study.refusals, *study.passed_over)]
    assert sorted(names) == ["damaged", "whole.dcm"]


Strings = list[tuple[str, ...]] | None


def strings_of(read: Callable[[], Dataset]) -> Strings:
    """Every attribute that is read, or None where the header is refused."""
    try:
        dataset = read()
    except HEADER_ERRORS:
        return None
    headers = Header(dataset.file_meta), Header(dataset)
    return [header.strings(keyword) for header in headers for keyword in TAGS]


def ours(content: bytes, head_bytes: int | None = None) -> Strings:
    return strings_of(lambda: read_header(content[:head_bytes], io.BytesIO(content))[0])


def by_pydicom(content: bytes) -> Strings:
    return strings_of(
        lambda: pydicom.dcmread(
            io.BytesIO(content), force=True, stop_before_pixels=True, specific_tags=list(TAGS)
        )
    )


@pytest.mark.filterwarnings("ignore:::pydicom")  # of what is damaged
@settings(max_examples=150, deadline=None)
@given(
    syntax=st.sampled_from([ImplicitVRLittleEndian, ExplicitVRLittleEndian]),
    changes=st.lists(st.tuples(st.integers(128, 600), st.integers(0, 255)), max_size=3),
)
def test_a_header_is_read_as_pydicom_reads_it(syntax: UID, changes: list[tuple[int, int]]) -> None:
    image, buffer = pydicom.dcmread(str(get_testdata_file("MR_small.dcm"))), io.BytesIO()
    image.file_meta.TransferSyntaxUID = syntax
    image.save_as(buffer, implicit_vr=syntax.is_implicit_VR, little_endian=True)
    damaged = bytearray(buffer.getvalue())
    for place, value in changes:
        damaged[place] = value

    assert ours(bytes(damaged)) == by_pydicom(bytes(damaged))


@pytest.mark.filterwarnings("ignore:::pydicom")
def test_a_length_that_is_given_again_and_damaged_refuses_the_file_as_in_pydicom(
    mr_slice: Build,
) -> None:
    content, length_of_two_bytes = saved_bytes(mr_slice()), b"\x02\0\0\0UL\x02\0\0\1"
    damaged = content[:144] + length_of_two_bytes + content[144:]
    assert ours(damaged) is by_pydicom(damaged) is None


@pytest.mark.filterwarnings("ignore:::pydicom")  # of values that are cut short
def test_a_header_is_the_same_however_much_of_it_is_read_at_once(mr_slice: Build) -> None:
    """Also where the part ends within an element of undefined length."""
    image = mr_slice()
    image.add_new(0x00090010, "LO", "WHO")
    image.add_new(0x00091001, "OB", bytes(300))
    image[0x00091001].is_undefined_length = True
    content = saved_bytes(image)
    whole = by_pydicom(content)
    assert whole is not None
    assert [size for size in range(0, len(content), 10) if ours(content, size) != whole] == []


def test_a_deflated_header_is_read_whatever_its_stated_length(mr_slice: Build) -> None:
    image = mr_slice()
    image.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    content = bytearray(saved_bytes(image))
    content[140] += 2  # (0002,0000), which readers do not need
    assert ours(bytes(content)) == by_pydicom(bytes(content)) is not None


def test_a_long_header_may_name_the_deflated_transfer_syntax(mr_slice: Build) -> None:
    image = mr_slice(AvailableTransferSyntaxUID=DeflatedExplicitVRLittleEndian)
    content = saved_bytes(image)
    assert ours(content, 600) == by_pydicom(content) is not None


def saved_bytes(image: Dataset) -> bytes:
    buffer = io.BytesIO()
    image.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def test_a_dcm_file_that_is_not_dicom_is_refused_as_damaged(tmp_path: Path) -> None:
    (tmp_path / "slice.dcm").write_bytes(b"nonsense" * 100)
    (tmp_path / "none.dcm").write_bytes(b"")

    reasons = [refusal.reason for refusal in open_study(tmp_path).refusals]

    assert reasons == [
        "The file is empty. Copy it again from its source.",
        "The file is not DICOM in spite of its name. Copy it again from its source.",
    ]


def test_an_encrypted_dicom_file_is_refused(tmp_path: Path) -> None:
    # ContentInfo of RFC 5652 with the object identifier of enveloped data, as it starts a Secure
    # DICOM File (DICOM PS3.10 section 7.4).
    envelope = bytes.fromhex("308006092a864886f70d010703a080") + b"\x5a" * 500
    (tmp_path / "secret.dcm").write_bytes(envelope)

    (refusal,) = open_study(tmp_path).refusals

    assert refusal.reason == "The file is encrypted. Decrypt it first."


def test_a_missing_attribute_that_may_be_encrypted_says_so(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    encrypted = pydicom.Dataset()
    encrypted.EncryptedContentTransferSyntaxUID = ImplicitVRLittleEndian
    encrypted.EncryptedContent = b"\0" * 16
    save(tmp_path, [mr_slice(PixelSpacing=None, EncryptedAttributesSequence=[encrypted])])

    (refusal,) = open_study(tmp_path).refusals

    assert "encrypted attributes are present" in refusal.reason


@pytest.mark.skipif(shutil.which("zip") is None, reason="needs the zip program to encrypt")
def test_members_of_a_locked_zip_are_refused(tmp_path: Path, mr_slice: Build, save: Save) -> None:
    (path,) = save(tmp_path, [mr_slice()])
    archive = tmp_path / "locked.zip"
    subprocess.run(["zip", "-q", "-j", "-P", "secret", archive, path], check=True)

    (refusal,) = open_study(archive).refusals

    assert "protected by a password" in refusal.reason


# --- multi-frame objects -------------------------------------------------------------------


@pytest.mark.parametrize("legacy", [False, True])
def test_multiframe_objects_are_split_into_echoes_and_stacks(
    tmp_path: Path, multiframe: Build, save: Save, legacy: bool
) -> None:
    frames = [(3, 35, "1"), (0, 35, "1"), (3, 80, "1"), (0, 80, "1"), (9, 35, "2")]
    kind = {"sop_class": LegacyConvertedEnhancedMRImageStorage} if legacy else {}
    save(tmp_path, [multiframe(frames, **kind)])

    stacks = open_study(tmp_path).stacks

    found = {
        (stack.contrast.echo_time_ms, tuple(f.frame_index for f in stack.frames))
        for stack in stacks
    }
    assert found == {(35, (1, 0)), (80, (3, 2)), (35, (4,))}


def test_legacy_converted_frames_keep_their_echo_among_the_unassigned_attributes(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    """DICOM Supplement 157: attributes without a functional group of their own."""
    dataset = multiframe(
        [(0, 35, "1"), (3, 35, "1")], sop_class=LegacyConvertedEnhancedMRImageStorage
    )
    for echo_time_ms, group in zip((20, 90), dataset.PerFrameFunctionalGroupsSequence, strict=True):
        del group.MREchoSequence
        converted = pydicom.Dataset()
        converted.EchoTime = echo_time_ms
        group.UnassignedPerFrameConvertedAttributesSequence = [converted]
    save(tmp_path, [dataset])

    echoes = [stack.contrast.echo_time_ms for stack in open_study(tmp_path).stacks]

    assert echoes == [20, 90]


def test_a_multiframe_object_that_lacks_frame_descriptions_is_refused(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    dataset = multiframe([(0, 35, "1"), (3, 35, "1")])
    dataset.NumberOfFrames = 3
    save(tmp_path, [dataset])

    (refusal,) = open_study(tmp_path).refusals

    assert "NumberOfFrames is 3" in refusal.reason


def test_one_unusable_frame_leaves_the_other_frames(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    dataset = multiframe([(0, 35, "1"), (3, 35, "1"), (6, 35, "1")])
    del dataset.PerFrameFunctionalGroupsSequence[1].PlanePositionSequence
    save(tmp_path, [dataset])

    study = open_study(tmp_path)

    assert slice_count(tmp_path) == 2
    assert "ImagePositionPatient is missing" in study.refusals[0].reason


# --- a real study --------------------------------------------------------------------------


def test_the_real_knee_has_four_series_of_the_right_side(real_knee: Path) -> None:
    study = open_study(real_knee)

    assert [(stack.plane, len(stack.frames)) for stack in study.stacks] == [
        ("axial", 38),
        ("sagittal", 33),
        ("coronal", 32),
        ("coronal", 32),
    ]
    assert {stack.laterality.side for stack in study.stacks} == {"R"}
    assert not study.refusals
    assert not any(stack.findings for stack in study.stacks)


# --- headers that are odd, but not in what the measurement needs ---------------------------


def write_raw(path: Path, tag: int, value_representation: str, value: bytes) -> None:
    """Put a value into a file that the library would not let through."""
    dataset = pydicom.dcmread(path)
    padded = value + b" " * (len(value) % 2)
    dataset[tag] = RawDataElement(
        Tag(tag), value_representation, len(padded), padded, 0, False, True
    )
    dataset.save_as(path)


@pytest.mark.parametrize(
    ("tag", "value_representation", "value"),
    [
        pytest.param(0x00200013, "IS", b"inf", id="infinite Instance Number"),
        pytest.param(0x00200013, "IS", b"9" * 5000, id="endless Instance Number"),
        pytest.param(0x00200013, "IS", b"seven", id="Instance Number in words"),
        pytest.param(0x00200011, "IS", b"9" * 5000, id="endless Series Number"),
        pytest.param(0x00200011, "IS", b"\xb2", id="superscript Series Number"),
        pytest.param(0x00180050, "DS", b"3,0", id="decimal comma in Slice Thickness"),
        pytest.param(0x00180081, "DS", b"nan", id="Echo Time that is no number"),
    ],
)
def test_what_the_measurement_can_do_without_need_not_be_legible(
    tmp_path: Path,
    mr_stack: BuildMany,
    save: Save,
    tag: int,
    value_representation: str,
    value: bytes,
) -> None:
    for path in save(tmp_path, mr_stack([0, 3])):
        write_raw(path, tag, value_representation, value)

    study = open_study(tmp_path)

    assert [len(stack.frames) for stack in study.stacks] == [2]
    assert not study.refusals


@pytest.mark.parametrize(
    ("tag", "value", "reason"),
    [
        pytest.param(0x00280030, b"0,5\\0,5", r'PixelSpacing is "0,5\0,5"', id="decimal comma"),
        pytest.param(0x00280030, b"0_1.5\\0.5", "not made of numbers", id="underscore"),
        pytest.param(0x00280030, b"0.5\x15\\0.55", "not made of numbers", id="damaged digit"),
        pytest.param(0x00200032, b"0\\1\x10\\0", "not made of numbers", id="damaged position"),
        pytest.param(0x00280030, b"1\\1\\1", "has 3 values where 2 are needed", id="three"),
        pytest.param(0x00280030, b"500\\500", "cannot be in millimetres", id="micrometres"),
        pytest.param(0x00280030, b"5e-4\\5e-4", "cannot be in millimetres", id="metres"),
        pytest.param(0x00280030, b"0.5\\500", "cannot be in millimetres", id="one micrometres"),
        pytest.param(0x00281053, b"0", "RescaleSlope is 0", id="slope of zero"),
        pytest.param(0x00281052, b"nan", 'RescaleIntercept is "nan"', id="intercept"),
        pytest.param(0x00281053, b"1e308", "RescaleSlope is 1e+308", id="slope beyond all grey"),
        pytest.param(0x00281053, b"-1e-308", "RescaleSlope is -1e-308", id="slope of next to zero"),
        pytest.param(0x00281053, b"-1e308", "RescaleSlope is -1e+308", id="slope below all grey"),
        pytest.param(0x00281052, b"1e308", "RescaleIntercept is 1e+308", id="endless intercept"),
        pytest.param(0x00280008, b"inf", 'NumberOfFrames is "inf"', id="endless frames"),
        pytest.param(0x00280008, b"1.5", "NumberOfFrames is 1.5", id="half a frame"),
        pytest.param(0x00200032, b"0\\1e15\\0", "where no scanner reaches", id="far away"),
        pytest.param(0x00200032, b"5001\\0\\0", "where no scanner reaches", id="5 m to the left"),
        pytest.param(0x00200032, b"0\\-5001\\0", "where no scanner reaches", id="5 m in front"),
        pytest.param(0x00200032, b"0\\0\\5001", "where no scanner reaches", id="5 m above"),
    ],
)
def test_a_value_that_the_measurement_needs_is_refused_in_plain_words(
    tmp_path: Path, mr_slice: Build, save: Save, tag: int, value: bytes, reason: str
) -> None:
    (path,) = save(tmp_path, [mr_slice()])
    write_raw(path, tag, "DS", value)

    study = open_study(tmp_path)

    assert not study.stacks
    assert reason in study.refusals[0].reason
    assert "exported again" in study.refusals[0].reason


@pytest.mark.parametrize("bits", [0, 33, 1024, 65535])
def test_an_image_of_impossible_bits_cannot_be_inverted(
    tmp_path: Path, mr_slice: Build, save: Save, bits: int
) -> None:
    inverted = {"PhotometricInterpretation": "MONOCHROME1", "BitsStored": bits}
    save(tmp_path, [mr_slice(), mr_slice(ImagePositionPatient=[0, 3, 0], **inverted)])

    study = open_study(tmp_path)

    assert [len(stack.frames) for stack in study.stacks] == [1]
    assert f"BitsStored is {bits}" in study.refusals[0].reason


def test_frames_that_nothing_places_are_refused(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    save(tmp_path, [mr_slice(NumberOfFrames=3, PixelData=bytes(3 * 2 * 120))])

    assert "NumberOfFrames is 3" in open_study(tmp_path).refusals[0].reason


def test_free_text_cannot_steer_a_terminal(tmp_path: Path, mr_slice: Build, save: Save) -> None:
    (path,) = save(tmp_path, [mr_slice()])
    write_raw(path, 0x0008103E, "LO", b"\x1b[2JCOR\x07 PD")

    (stack,) = open_study(tmp_path).stacks

    assert stack.identity.series_description == "[2JCOR  PD"


def test_what_is_said_of_a_damaged_header_cannot_either() -> None:
    assert "\x1b" not in str(damaged_header(ValueError("odd length of \x1b[2J")))


def test_a_refusal_names_its_file_once(tmp_path: Path) -> None:
    source = get_testdata_file("DICOMDIR")
    assert isinstance(source, str)
    shutil.copy(source, tmp_path / "DICOMDIR")

    refusal = open_study(tmp_path / "DICOMDIR").refusals[0]

    assert str(refusal.file.path.parent) not in refusal.reason

"""One bad file never hides the good ones, nothing waits for ever, nothing fills the memory."""

from __future__ import annotations

import io
import itertools
import os
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO, cast

import pydicom
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    MediaStorageDirectoryStorage,
)

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.series import scan, sources
from meniscal_measure.series.bounded import BoundedStream, inflated_bytes
from meniscal_measure.series.model import FileRef, Study
from meniscal_measure.series.pixels import read_frames
from meniscal_measure.series.scan import open_study
from tests.pipes import pipe_at
from tests.series.conftest import Build, BuildMany, Save

MEGABYTE = 2**20


def good_slices(study: Study) -> int:
    return sum(len(stack.frames) for stack in study.stacks)


# --- places ----------------------------------------------------------------------------------


def test_a_pipe_in_the_place_of_a_study_is_refused_without_waiting(tmp_path: Path) -> None:
    with (
        pipe_at(tmp_path / "pipe") as pipe,
        pytest.raises(UsageError, match="neither a folder nor a file"),
    ):
        open_study(pipe)


def test_a_pipe_in_a_study_is_no_file_of_it(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3]))
    with pipe_at(tmp_path / "pipe.dcm"):
        study = open_study(tmp_path)

    assert good_slices(study) == 2
    assert study.refusals == study.passed_over == ()


def test_a_name_with_a_nul_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="does not exist"):
        open_study("knee\0name")


def test_a_folder_that_cannot_be_searched_is_refused_and_the_others_stay(
    tmp_path: Path, mr_stack: BuildMany, save: Save, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Set by hand: to the administrator, under whom tests may run, no folder is closed."""
    save(tmp_path / "b", mr_stack([0, 3]))
    (tmp_path / "a").mkdir()
    scandir = os.scandir

    def closed(path: Path) -> object:
        if Path(path).name == "a":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", closed)

    study = open_study(tmp_path)

    assert good_slices(study) == 2
    (refusal,) = study.refusals
    assert refusal.file.path.name == "a"
    assert "cannot be searched: Permission denied" in refusal.reason


def test_folders_too_deep_to_be_named_hide_nothing(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3]))
    here = Path.cwd()
    try:
        os.chdir(tmp_path)
        for _ in range(30):  # a path of 6,000 letters, where the system takes 4,096
            Path("d" * 200).mkdir()
            os.chdir("d" * 200)
    finally:
        os.chdir(here)

    study = open_study(tmp_path)

    assert good_slices(study) == 2
    assert "cannot be searched" in study.refusals[0].reason


# --- archives --------------------------------------------------------------------------------


def packed(path: Path, members: dict[str, bytes], method: int) -> Path:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


@pytest.mark.parametrize(
    "method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]
)
@pytest.mark.parametrize("inside", [False, True])
def test_a_damaged_member_hides_no_other(
    tmp_path: Path, mr_stack: BuildMany, save: Save, method: int, inside: bool
) -> None:
    files = save(tmp_path / "plain", mr_stack([0, 3, 6]))
    (tmp_path / "study").mkdir()
    path = packed(
        tmp_path / "study" / "a.zip", {file.name: file.read_bytes() for file in files}, method
    )
    with zipfile.ZipFile(path) as archive:
        info = archive.infolist()[1]
    content = bytearray(path.read_bytes())
    start = info.header_offset + 30 + len(info.filename)
    content[start + 12 : start + 60] = b"\xff" * 48
    path.write_bytes(content)

    study = open_study(path.parent if inside else path)

    assert good_slices(study) == 2
    (refusal,) = study.refusals
    assert refusal.file.member == "0001.dcm"


def test_a_member_that_unpacks_to_more_than_any_image_is_refused(
    tmp_path: Path, mr_stack: BuildMany, save: Save, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "MOST_MEMBER_BYTES", 2 * MEGABYTE)
    files = save(tmp_path, mr_stack([0, 3]))
    noise = os.urandom(MEGABYTE)
    members = {file.name: file.read_bytes() for file in files}
    path = packed(tmp_path / "a.zip", {**members, "big.dcm": noise * 3}, zipfile.ZIP_STORED)

    study = open_study(path)

    assert good_slices(study) == 2
    assert "unpacks to more than" in study.refusals[0].reason


@contextmanager
def at_most(peak_bytes: int) -> Iterator[None]:
    """Fail where more memory is taken at once."""
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < peak_bytes
    finally:
        tracemalloc.stop()


def bomb(path: Path) -> Path:
    """Ten members of a megabyte of nothing."""
    return packed(path, {f"{n}.dcm": bytes(MEGABYTE) for n in range(10)}, zipfile.ZIP_DEFLATED)


def test_an_archive_made_to_fill_a_machine_is_refused_unopened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "MOST_MEMBER_BYTES", 2 * MEGABYTE)
    path = bomb(tmp_path / "bomb.zip")

    with at_most(MEGABYTE), pytest.raises(UnreadableFileError, match="10 MB, more than 100 times"):
        open_study(path)


def test_in_a_folder_such_an_archive_hides_no_image(
    tmp_path: Path, mr_stack: BuildMany, save: Save, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "MOST_MEMBER_BYTES", 2 * MEGABYTE)
    save(tmp_path, mr_stack([0, 3]))
    path = bomb(tmp_path / "bomb.zip")

    with at_most(MEGABYTE):
        study = open_study(tmp_path)

    assert good_slices(study) == 2
    assert [refusal.file for refusal in study.refusals] == [FileRef(path)]


def test_a_member_larger_than_it_says_is_cut_and_refused(tmp_path: Path) -> None:
    size = 64 * MEGABYTE
    path = packed(tmp_path / "a.zip", {"a.dcm": bytes(size)}, zipfile.ZIP_DEFLATED)
    path.write_bytes(path.read_bytes().replace(struct.pack("<L", size), struct.pack("<L", 1000)))

    with at_most(16 * MEGABYTE):
        study = open_study(path)

    assert "damaged" in study.refusals[0].reason


# --- DICOMDIR --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        ["IMAGES", "A\0B"],
        ["..", "A"],
        ["{outside}"],
        ["..\\A"],
        ["../A"],
        ["X" * 300],
        ["X"] * 4000,
    ],
    ids=["NUL", "out", "absolute", "backslash", "slash", "long", "deep"],
)
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_a_dicomdir_whose_names_lead_nowhere_hides_no_image(
    tmp_path: Path, mr_stack: BuildMany, save: Save, name: list[str]
) -> None:
    """There is an image out of its folder, which is not read."""
    folder, outside = tmp_path / "media", tmp_path / "A"
    save(folder, mr_stack([0, 3]))
    mr_stack([6])[0].save_as(outside, enforce_file_format=True)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    meta.MediaStorageSOPInstanceUID = UID("2.25.5")
    meta.TransferSyntaxUID = UID(ExplicitVRLittleEndian)
    directory = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    records = []
    for parts in (["0000.dcm"], name, ["0001.dcm"]):
        record = Dataset()
        record.DirectoryRecordType, record.RecordInUseFlag = "IMAGE", 0xFFFF
        record.ReferencedFileID = [part.format(outside=outside) for part in parts]
        records.append(record)
    directory.DirectoryRecordSequence = DicomSequence(records)
    directory.save_as(folder / "DICOMDIR")

    study = open_study(folder / "DICOMDIR")

    assert good_slices(study) == 2
    assert len(study.refusals) == 1


# --- lengths ---------------------------------------------------------------------------------


def test_a_claimed_length_takes_no_memory(tmp_path: Path, mr_stack: BuildMany, save: Save) -> None:
    """Patient's Name of 2 GB in a file of a few thousand bytes, with more than 32 KB before it."""
    first, _, _ = save(tmp_path, mr_stack([0, 3, 6], ImageComments="x" * 9000))
    dataset = pydicom.dcmread(first)
    dataset.add_new(0x00091001, "OB", bytes(40000))
    dataset.save_as(first)
    content = first.read_bytes()
    at = content.index(b"\x10\x00\x10\x00PN")
    first.write_bytes(content[: at + 4] + b"UT\0\0" + struct.pack("<L", 2**31) + content[at + 8 :])

    with at_most(16 * MEGABYTE):
        study = open_study(tmp_path)

    assert good_slices(study) == 2
    assert len(study.refusals) == 1


def test_a_header_that_takes_more_memory_than_there_is_hides_no_image(
    tmp_path: Path, mr_stack: BuildMany, save: Save, monkeypatch: pytest.MonkeyPatch
) -> None:
    save(tmp_path, mr_stack([0, 3, 6]))
    read, asked = scan.read_header, itertools.count()

    def full(*arguments: Any) -> Any:
        if next(asked) == 1:
            raise MemoryError
        return read(*arguments)

    monkeypatch.setattr(scan, "read_header", full)

    study = open_study(tmp_path)

    assert good_slices(study) == 2
    assert "header is damaged" in study.refusals[0].reason


def test_pixels_that_do_not_fit_into_memory_are_refused(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0, 3]))
    (frame, _) = open_study(tmp_path).stacks[0].frames
    endless = replace(frame, grid=replace(frame.grid, rows=2**40))

    with pytest.raises(UnreadableFileError, match=r"1 slices of .* do not fit into memory"):
        read_frames([endless])


def test_a_header_without_end_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meniscal_measure.series.bounded.MOST_READS", 3)
    stream = BoundedStream(io.BytesIO(bytes(100)))

    assert [len(stream.read(size)) for size in (10, 2**40, 5)] == [10, 90, 0]
    with pytest.raises(EOFError, match="it has no end"):
        stream.read(1)


def test_a_deflated_file_is_measured_before_it_is_unpacked(
    tmp_path: Path, mr_slice: Build, monkeypatch: pytest.MonkeyPatch
) -> None:
    dataset = mr_slice()
    dataset.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    path = tmp_path / "deflated.dcm"
    dataset.save_as(path, enforce_file_format=True)
    content = path.read_bytes()
    deflated = content[144 + int.from_bytes(content[140:144], "little") :]

    assert inflated_bytes(deflated, most=10**6) == len(zlib.decompress(deflated, -15))
    assert inflated_bytes(deflated, most=100) > 100
    packer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    endless = packer.compress(bytes(64 * MEGABYTE)) + packer.flush()
    with at_most(MEGABYTE):
        assert inflated_bytes(endless, most=100) > 100

    dataset.add_new(0x00091001, "OB", os.urandom(50000))
    dataset.save_as(path, enforce_file_format=True)
    assert good_slices(open_study(path)) == 1
    monkeypatch.setattr("meniscal_measure.series.bounded.MOST_UNPACKED_BYTES", 10000)
    assert "unpacks to more than" in open_study(path).refusals[0].reason
    with path.open("rb") as stream, pytest.raises(UnreadableFileError, match="unpacks to more"):
        pydicom.dcmread(cast(BinaryIO, BoundedStream(stream)))  # as for de-identification

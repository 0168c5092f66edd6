"""Pixels of the chosen frames, as intensities; what cannot be decoded ends in a clear error."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import (
    MPEG2MPML,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    MRImageStorage,
)

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.series import guarded
from meniscal_measure.series.guarded import GuardedDecoder
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels
from tests.series.conftest import Build, BuildMany, Save, only_stack

RAMP = np.arange(120, dtype=np.float32).reshape(12, 10)
"""The pixels that the builders store."""


def shipped(name: str) -> Path:
    """Locate a test file that comes inside the installed pydicom."""
    found = get_testdata_file(name, download=False)
    if not isinstance(found, str):
        pytest.skip(f"{name} is not shipped with this pydicom")
    return Path(found)


# --- which frames --------------------------------------------------------------------------


def test_pixels_come_in_geometric_order_as_slice_row_column(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    pixels = [np.full((12, 10), value, dtype="<u2").tobytes() for value in (7, 8)]
    save(
        tmp_path,
        [
            mr_slice(ImagePositionPatient=[0, position_mm, 0], PixelData=data)
            for position_mm, data in zip((3, 0), pixels, strict=True)
        ],
    )

    values = read_pixels(only_stack(tmp_path))

    assert values.shape == (2, 12, 10)
    assert values.dtype == np.float32
    assert values[:, 0, 0].tolist() == [8, 7]


def test_only_the_frames_asked_for_are_read(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    paths = save(tmp_path, mr_stack([0, 3, 6]))
    stack = only_stack(tmp_path)
    paths[1].unlink()

    assert np.array_equal(read_pixels(stack, [2, 0]), [RAMP, RAMP])
    with pytest.raises(
        UnreadableFileError, match=r"0001\.dcm: The file cannot be read: No such file"
    ):
        read_pixels(stack)


@pytest.mark.parametrize("index", [-1, 2])
def test_an_index_outside_the_stack_is_a_usage_error(
    tmp_path: Path, mr_stack: BuildMany, save: Save, index: int
) -> None:
    save(tmp_path, mr_stack([0, 3]))

    with pytest.raises(UsageError, match=f"Slice {index} is outside the stack; its 2 slices"):
        read_pixels(only_stack(tmp_path), [index])


def test_pixels_are_read_from_a_zip(tmp_path: Path, mr_slice: Build, save: Save) -> None:
    (path,) = save(tmp_path / "in", [mr_slice()])
    with zipfile.ZipFile(tmp_path / "study.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(path, "slice")

    assert np.array_equal(read_pixels(only_stack(tmp_path / "study.zip"))[0], RAMP)


def test_pixels_are_read_from_a_file_without_preamble(tmp_path: Path, mr_slice: Build) -> None:
    dataset = mr_slice()
    del dataset.file_meta
    dataset.preamble = None
    dataset.save_as(tmp_path / "IM1", implicit_vr=True, little_endian=True)

    assert np.array_equal(read_pixels(only_stack(tmp_path))[0], RAMP)


def test_pixels_are_read_from_a_deflated_file(tmp_path: Path, mr_slice: Build, save: Save) -> None:
    dataset = mr_slice()
    dataset.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    (path,) = save(tmp_path / "in", [dataset])
    with zipfile.ZipFile(tmp_path / "study.zip", "w") as packed:
        packed.write(path, "slice")

    assert np.array_equal(read_pixels(only_stack(tmp_path / "in"))[0], RAMP)
    assert np.array_equal(read_pixels(only_stack(tmp_path / "study.zip"))[0], RAMP)


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_frames_of_a_multiframe_object_are_read_one_by_one(
    tmp_path: Path, multiframe: Build, save: Save, syntax: UID
) -> None:
    dataset = multiframe([(6, 35, "1"), (0, 35, "1"), (3, 35, "1")])
    dataset.file_meta.TransferSyntaxUID = syntax
    save(tmp_path, [dataset])
    stack = only_stack(tmp_path)

    # frame n holds the ramp from 120 n and is stored with slope 2 and intercept n
    expected = [2 * (RAMP + 120 * frame) + frame for frame in (1, 2, 0)]

    assert np.array_equal(read_pixels(stack), expected)
    assert np.array_equal(read_pixels(stack, [2]), expected[2:])


# --- intensities ---------------------------------------------------------------------------


def test_rescale_slope_and_intercept_are_applied(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    save(tmp_path, [mr_slice(RescaleSlope=0.5, RescaleIntercept=-10)])

    assert np.array_equal(read_pixels(only_stack(tmp_path))[0], RAMP * 0.5 - 10)


@pytest.mark.parametrize(("signed", "brightest"), [(0, 4095), (1, -1)])
def test_monochrome1_is_turned_so_that_larger_is_brighter(
    tmp_path: Path, mr_slice: Build, save: Save, signed: int, brightest: int
) -> None:
    save(
        tmp_path,
        [
            mr_slice(
                PhotometricInterpretation="MONOCHROME1",
                BitsStored=12,
                HighBit=11,
                PixelRepresentation=signed,
            )
        ],
    )

    assert np.array_equal(read_pixels(only_stack(tmp_path))[0], brightest - RAMP)


# --- decoders ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "MR_small_RLE.dcm",
        "MR_small_jp2klossless.dcm",
        "MR_small_jpeg_ls_lossless.dcm",
        "MR_small_bigendian.dcm",
        "MR_small_implicit.dcm",
        "MR_small_padded.dcm",
    ],
)
def test_decoders_agree_with_the_uncompressed_image(name: str) -> None:
    """Outside check: the same image in several syntaxes, shipped with pydicom."""
    plain = read_pixels(only_stack(shipped("MR_small.dcm")))

    assert np.array_equal(read_pixels(only_stack(shipped(name))), plain)


@pytest.mark.parametrize(
    "name",
    [
        "emri_small_RLE.dcm",
        "emri_small_jpeg_2k_lossless.dcm",
        "emri_small_jpeg_ls_lossless.dcm",
        "emri_small_big_endian.dcm",
    ],
)
def test_decoders_agree_on_a_multiframe_object_frame_by_frame(
    tmp_path: Path, multiframe: Build, name: str
) -> None:
    """Outside check: Enhanced MR pixels in several syntaxes, from the pydicom-data package.

    Those files lack functional groups, so that they get ours.
    """

    def dressed(source: str) -> Stack:
        dataset = pydicom.dcmread(shipped(source))
        groups = multiframe([(3 * frame, 35, "1") for frame in range(dataset.NumberOfFrames)])
        dataset.SharedFunctionalGroupsSequence = groups.SharedFunctionalGroupsSequence
        dataset.PerFrameFunctionalGroupsSequence = groups.PerFrameFunctionalGroupsSequence
        dataset.save_as(tmp_path / source)
        return only_stack(tmp_path / source)

    plain, packed = dressed("emri_small.dcm"), dressed(name)

    assert read_pixels(packed).shape == (10, 64, 64)
    assert np.array_equal(read_pixels(packed), read_pixels(plain))
    assert np.array_equal(read_pixels(packed, [4]), read_pixels(plain)[4:5])


@pytest.mark.parametrize("option", ["--jpeg", "--jpegls", "--j2k", "--rle"])
def test_what_gdcm_packs_is_read_back(tmp_path: Path, option: str) -> None:
    """Outside check: GDCM's converter packs an image shipped with pydicom."""
    program = Path(sys.executable).with_name("gdcmconv")
    packed = tmp_path / "packed.dcm"
    subprocess.run([program, option, shipped("MR_small.dcm"), packed], check=True)

    stack = only_stack(packed)

    assert UID(stack.frames[0].encoding.transfer_syntax_uid).is_compressed
    plain = read_pixels(only_stack(shipped("MR_small.dcm")))
    assert np.array_equal(read_pixels(stack), plain)


def as_mr(name: str, path: Path) -> Stack:
    """Dress a shipped picture of another kind as an MR slice, pixel data untouched."""
    dataset = pydicom.dcmread(shipped(name))
    dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = MRImageStorage
    dataset.PixelSpacing = [1, 1]
    dataset.ImagePositionPatient = [0, 0, 0]
    dataset.ImageOrientationPatient = [1, 0, 0, 0, 0, -1]
    dataset.save_as(path)
    return only_stack(path)


def test_jpeg_lossless_agrees_with_simpleitk(tmp_path: Path) -> None:
    """Outside check: SimpleITK decodes the JPEG lossless file of the pydicom-data package."""
    theirs = SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(shipped("JPEG-LL.dcm"))))

    ours = read_pixels(as_mr("JPEG-LL.dcm", tmp_path / "mr.dcm"))

    assert np.array_equal(ours, theirs)


@pytest.mark.parametrize("name", ["JPEG-lossy.dcm", "JPGExtended.dcm"])
def test_twelve_bit_lossy_jpeg_ends_in_a_clear_error(tmp_path: Path, name: str) -> None:
    stack = as_mr(name, tmp_path / "mr.dcm")

    with pytest.raises(
        UnreadableFileError, match=r"mr\.dcm \(JPEG Extended.*cannot be decoded.*uncompressed"
    ):
        read_pixels(stack)


def test_a_missing_decoder_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stack = only_stack(shipped("MR_small_jpeg_ls_lossless.dcm"))
    monkeypatch.setattr(get_decoder(JPEGLSLossless), "_available", {})

    with pytest.raises(
        UnreadableFileError, match=r"JPEG-LS Lossless.*no decoder for it is installed"
    ):
        read_pixels(stack)


def test_a_syntax_without_any_decoder_is_named(tmp_path: Path, mr_slice: Build, save: Save) -> None:
    dataset = mr_slice()
    dataset.file_meta.TransferSyntaxUID = MPEG2MPML
    dataset.PixelData = encapsulate([bytes(64)])
    save(tmp_path, [dataset])

    with pytest.raises(UnreadableFileError, match=r"MPEG2.*which no decoder reads"):
        read_pixels(only_stack(tmp_path))


def test_pixel_data_lost_since_the_scan_is_refused(
    tmp_path: Path, mr_slice: Build, save: Save
) -> None:
    (path,) = save(tmp_path, [mr_slice()])
    stack = only_stack(tmp_path)
    path.write_bytes(path.read_bytes()[:-20])

    with pytest.raises(UnreadableFileError, match=r"0000\.dcm \(Explicit VR.*cannot be decoded"):
        read_pixels(stack)


@contextmanager
def decoder_of_its_own() -> Iterator[GuardedDecoder]:
    decoder = GuardedDecoder()
    yield decoder
    decoder.stop()


def test_one_process_decodes_all_slices(monkeypatch: pytest.MonkeyPatch) -> None:
    """However often single slices are asked for, as the review page does."""
    started = []
    start = guarded._started

    def counted() -> subprocess.Popen[bytes]:
        started.append(1)
        return start()

    monkeypatch.setattr(guarded, "_started", counted)
    guarded.shared_decoder.stop()
    stack = only_stack(shipped("MR_small_jp2klossless.dcm"))
    images = [read_pixels(stack, [0]) for _ in range(5)]

    assert len(started) == 1
    assert all(np.array_equal(image, images[0]) for image in images)


def test_a_decoder_that_does_not_end_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """JPEG-LS was seen to take ten seconds for one damaged kilobyte."""
    whole = shipped("MR_small_jp2klossless.dcm").read_bytes()
    with decoder_of_its_own() as decoder:
        decoder.decode(whole, [0], JPEG2000Lossless, "pylibjpeg")
        monkeypatch.setattr(guarded, "FRAME_SECONDS", 0.0)
        with pytest.raises(ValueError, match="broke down on it or took too long"):
            decoder.decode(whole, [0] * 2000, JPEG2000Lossless, "pylibjpeg")
        monkeypatch.undo()
        assert len(decoder.decode(whole, [0], JPEG2000Lossless, "pylibjpeg")) == 1


def test_a_decoder_has_less_than_ten_seconds_for_a_slice() -> None:
    """So long a reader would take it for a fault of the program."""
    assert guarded.FRAME_SECONDS < 10


def test_a_decoder_that_does_not_start_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    idle = [sys.executable, "-c", "import time; time.sleep(3600)"]

    def started() -> subprocess.Popen[bytes]:
        return subprocess.Popen(idle, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    monkeypatch.setattr(guarded, "_started", started)
    monkeypatch.setattr(guarded, "START_SECONDS", 0.0)

    with (
        decoder_of_its_own() as decoder,
        pytest.raises(ValueError, match="broke down on it or took too long"),
    ):
        decoder.decode(b"", [0], JPEG2000Lossless, "pylibjpeg")


@pytest.mark.skipif(sys.platform != "linux", reason="only there a process can be asked its limits")
def test_a_decoder_has_two_gigabytes_at_most() -> None:
    resource = pytest.importorskip("resource")
    whole = shipped("MR_small_jp2klossless.dcm").read_bytes()
    with decoder_of_its_own() as decoder:
        decoder.decode(whole, [0], JPEG2000Lossless, "pylibjpeg")
        assert decoder._process is not None
        limit, _ = resource.prlimit(decoder._process.pid, resource.RLIMIT_AS)
        held = Path(f"/proc/{decoder._process.pid}/statm").read_text().split()[0]

    assert 0 < limit <= int(held) * resource.getpagesize() + 2**31


def damaged_jpeg_2000(path: Path) -> Path:
    """Write a JPEG 2000 image on which GDCM 3.2 was seen to end its process."""
    dataset = pydicom.dcmread(shipped("MR_small_jp2klossless.dcm"))
    data = bytearray(dataset.PixelData)
    data[40:400] = b"\xff" * 360
    dataset.PixelData = bytes(data)
    dataset.save_as(path)
    return path


def test_damaged_compressed_data_is_refused(tmp_path: Path) -> None:
    path = damaged_jpeg_2000(tmp_path / "damaged.dcm")

    with pytest.raises(UnreadableFileError, match=r"damaged\.dcm \(JPEG 2000.*cannot be decoded"):
        read_pixels(only_stack(path))


def test_what_a_decoder_says_of_damaged_data_is_no_programmers_talk(tmp_path: Path) -> None:
    source = pydicom.dcmread(shipped("JPEG-LL.dcm"))
    (frame,) = pydicom.encaps.generate_frames(source.PixelData, number_of_frames=1)
    content = (
        shipped("JPEG-LL.dcm").read_bytes().replace(frame, frame[:20] + bytes(len(frame) - 20))
    )

    with (
        decoder_of_its_own() as decoder,
        pytest.raises(ValueError, match=r"^the (data is damaged|decoder broke down on it)"),
    ):
        decoder.decode(content[: len(content) // 2], [0], JPEGLosslessSV1, "gdcm")


def test_the_decoder_imports_nothing_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "pydicom.py").write_text("raise SystemExit('not the one meant')")
    monkeypatch.chdir(tmp_path)
    whole = shipped("MR_small_jp2klossless.dcm").read_bytes()
    with decoder_of_its_own() as decoder:
        assert len(decoder.decode(whole, [0], JPEG2000Lossless, "gdcm")) == 1


def test_a_decoder_that_breaks_down_can_be_used_again(tmp_path: Path) -> None:
    damaged = damaged_jpeg_2000(tmp_path / "damaged.dcm").read_bytes()
    whole = shipped("MR_small_jp2klossless.dcm").read_bytes()

    with decoder_of_its_own() as decoder:
        (before,) = decoder.decode(whole, [0], JPEG2000Lossless, "gdcm")
        with pytest.raises(ValueError, match="the decoder broke down"):
            decoder.decode(damaged, [0], JPEG2000Lossless, "gdcm")
        (after,) = decoder.decode(whole, [0], JPEG2000Lossless, "gdcm")

    assert np.array_equal(before, after)

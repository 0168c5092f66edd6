"""Opening a study: the header of every file is read, and every file is accounted for."""

from __future__ import annotations

import io
import os
import warnings
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filereader import read_dataset, read_partial
from pydicom.tag import BaseTag
from pydicom.uid import UID, AllTransferSyntaxes

from meniscal_measure.errors import GeometryError, UnreadableFileError
from meniscal_measure.files import Progress
from meniscal_measure.sentences import plain, printable
from meniscal_measure.series.attribute_places import TAGS
from meniscal_measure.series.attributes import HEADER_ERRORS, Header
from meniscal_measure.series.bounded import BoundedStream
from meniscal_measure.series.headers import (
    MR_STORAGE,
    HeaderFrame,
    ReadBefore,
    frames_of,
)
from meniscal_measure.series.model import FileRef, Refusal, Study
from meniscal_measure.series.patients import without_mixed_series
from meniscal_measure.series.pixel_encoding import expected_pixel_bytes
from meniscal_measure.series.sources import ZIP_MAGIC, Opener, files_under
from meniscal_measure.series.stacks import build_stacks

HEAD_BYTES = 32768
"""Read at once from each file; headers of single-frame images are usually shorter."""

PREAMBLE_LENGTH = 128
"""Bytes before the prefix DICM of a DICOM file, PS3.10 section 7.1."""

_USUAL_START = b"DICM\x02\0\0\0UL\x04\0"
"""Prefix and first element of nearly every file: the length of its file meta information (PS3.10
7.1), with its value representation."""

_META_LENGTH = 0x00020000
"""Tag of that element."""

_USUAL_SYNTAXES: dict[str, bool] = {
    syntax: syntax.is_implicit_VR
    for syntax in AllTransferSyntaxes
    if syntax.is_little_endian and not syntax.is_deflated
}
"""Transfer syntaxes whose header can be read as it stands, and whether with implicit VR."""

_PIXELS = frozenset({0x7FE00008, 0x7FE00009, 0x7FE00010})
"""Float, Double Float and plain Pixel Data."""

_PIXEL_GROUP = (b"\xe0\x7f", b"\x7f\xe0")
"""How their tags begin, in either byte order."""

_TO_READ = [int(tag) for tag in TAGS.values()]
"""As plain numbers, which pydicom compares ten times as fast as its own tags."""

_DICOM_SUFFIXES = {".dcm", ".dicom", ".ima"}
"""A file with such a suffix that is not DICOM is refused; any other is passed over."""

_FIRST_GROUPS = (b"\x02\x00", b"\x08\x00", b"\x00\x02", b"\x00\x08")
"""Groups 0002 and 0008 in either byte order: a DICOM file without preamble begins with one."""

_ENVELOPED_DATA = bytes.fromhex("06092a864886f70d010703")
"""Object identifier of CMS enveloped data (RFC 5652), in which a Secure DICOM File begins
(DICOM PS3.10 section 7.4)."""

NOT_DICOM = "not a DICOM file"
"""Why a file is passed over that is not DICOM, or damaged beyond recognition."""


class _PassedOver(Exception):  # noqa: N818 - not an error, the file is not needed
    pass


@dataclass
class _ScanResult:
    frames: list[HeaderFrame] = field(default_factory=list)
    known: ReadBefore = field(default_factory=ReadBefore)
    refusals: list[Refusal] = field(default_factory=list)
    passed_over: list[Refusal] = field(default_factory=list)
    seen: set[tuple[object, ...]] = field(default_factory=set)


def open_study(path: str | os.PathLike[str], *, progress: Progress | None = None) -> Study:
    """Find the MR stacks under a path, reading headers only.

    Parameters
    ----------
    path
        A folder of any depth, a DICOM file with or without preamble and extension, a zip archive,
        or a DICOMDIR.
    progress
        Called after each file.

    Returns
    -------
    Study
        The stacks, and a reason for every file that is not in one of them. An unusable file
        never raises: `meniscal_measure.series.choose.choose_coronal` reports them when nothing
        usable is left.

    Raises
    ------
    UsageError
        If there is nothing at `path` or it may not be read.
    UnreadableFileError
        If `path` is a damaged zip archive or an empty DICOMDIR.

    Examples
    --------
    >>> study = open_study(sample)
    >>> len(study.stacks), len(study.stacks[0].frames), study.refusals
    (1, 13, ())
    """
    path = Path(path)
    found = _ScanResult()
    # pydicom warns about values that break the rules of their value representation. What the
    # measurement needs is checked here value by value; the rest must not stop the reading.
    with warnings.catch_warnings(), Opener() as opener:
        warnings.filterwarnings("ignore", module=r"pydicom\b")
        files, unsearched = files_under(path)
        found.refusals.extend(unsearched)
        for done, file in enumerate(files, start=1):
            _sort(file, opener, found)
            if progress is not None:
                progress(done, len(files))
        frames, mixed = without_mixed_series(found.frames)
        stacks = build_stacks(frames)
    return Study(path, stacks, (*found.refusals, *mixed), tuple(found.passed_over))


def _sort(file: FileRef, opener: Opener, found: _ScanResult) -> None:
    try:
        with opener.open(file) as stream:
            frames, reasons = _read(stream, file, found.known)
    except _PassedOver as reason:
        found.passed_over.append(Refusal(file, plain(str(reason))))
        return
    except (UnreadableFileError, GeometryError) as error:
        found.refusals.append(Refusal(file, error.reason))
        return
    found.refusals.extend(Refusal(file, error.reason) for error in reasons)
    fresh = [frame for frame in frames if _place(frame) not in found.seen]
    if len(fresh) < len(frames):
        found.passed_over.append(Refusal(file, plain("a second copy of an image already found")))
    found.seen.update(map(_place, fresh))
    found.frames.extend(fresh)


def _place(item: HeaderFrame) -> tuple[object, ...]:
    """Two files with this in common hold the same image; the UID alone may be reused."""
    frame = item.frame
    return frame.sop_instance_uid, frame.frame_index, frame.grid.position_mm, item.key


def _read(
    stream: BinaryIO, file: FileRef, known: ReadBefore
) -> tuple[list[HeaderFrame], list[GeometryError]]:
    try:
        head = stream.read(HEAD_BYTES)
        _check_is_dicom(head, file)
        dataset, header_end = read_header(head, stream)
        _check_is_mr(dataset)
        frames, reasons = frames_of(dataset, file, known)
        if frames:
            _check_length(dataset, stream.seek(0, os.SEEK_END) - header_end)
    except HEADER_ERRORS as error:
        raise damaged_header(error) from error
    return frames, reasons


def damaged_header(error: BaseException) -> UnreadableFileError:
    """Say that a header cannot be read.

    Examples
    --------
    >>> print(damaged_header(ValueError("odd length")))
    The header is damaged (odd length). Copy the file again from its source.
    """
    return UnreadableFileError(
        "The header is damaged ({why:private}). Copy the file again from its source.",
        why=printable(str(error)),
    )


def read_header(head: bytes, stream: BinaryIO) -> tuple[Dataset, int]:
    """Read a header and find its end; from memory, which is faster, if it lies in `head`.

    Parameters
    ----------
    head
        The first bytes of the file.
    stream
        The whole file.
    """
    start = io.BytesIO(head)
    with suppress(*HEADER_ERRORS):  # a header that is merely longer than `head` looks damaged
        dataset = _read_header(start)
        if head[start.tell() :].startswith(_PIXEL_GROUP):
            return dataset, start.tell()
    bounded = cast(BinaryIO, BoundedStream(stream))
    return _read_header(bounded), bounded.tell()


def _read_header(stream: BinaryIO) -> Dataset:
    usual = _read_usual_header(stream)
    if usual is not None:
        return usual
    stream.seek(0)
    return read_partial(stream, _at_pixels, force=True, specific_tags=_TO_READ)


def _read_usual_header(stream: BinaryIO) -> Dataset | None:
    """Read a header that begins as nearly all do, in half the time of `read_partial`.

    That one also looks for a command set and checks the file meta information, slice by slice.
    """
    stream.seek(PREAMBLE_LENGTH)
    if stream.read(len(_USUAL_START)) != _USUAL_START:
        return None
    stream.seek(PREAMBLE_LENGTH + len(b"DICM"))
    meta = read_dataset(stream, False, True, stop_when=lambda tag, *_: tag >> 16 != 2)
    if getattr(meta.get_item(TAGS["TransferSyntaxUID"]), "VR", None) != "UI":
        return None  # missing or damaged
    length = meta.get_item(_META_LENGTH)
    if not isinstance(length, RawDataElement) or (length.VR, length.length) != ("UL", 4):
        return None  # given a second time, and damaged
    implicit = _USUAL_SYNTAXES.get("".join(Header(meta).strings("TransferSyntaxUID")))
    if implicit is None or stream.read(2) != b"\x08\0":
        return None
    stream.seek(-2, os.SEEK_CUR)
    dataset = read_dataset(stream, implicit, True, stop_when=_at_pixels, specific_tags=_TO_READ)
    dataset.file_meta = FileMetaDataset(meta)
    return dataset


def _at_pixels(tag: BaseTag, *_: object) -> bool:
    return tag in _PIXELS


def _check_is_dicom(start: bytes, file: FileRef) -> None:
    if start[PREAMBLE_LENGTH:].startswith(b"DICM") or start.startswith(_FIRST_GROUPS):
        return
    if _ENVELOPED_DATA in start[:PREAMBLE_LENGTH]:
        raise UnreadableFileError("The file is encrypted. Decrypt it first.")
    name = Path(file.member) if file.member is not None else file.path
    if start.startswith(ZIP_MAGIC) and name.suffix.lower() == ".zip":
        raise UnreadableFileError(
            "The file is a zip archive that cannot be opened here, as it is damaged or lies within"
            " another one. Unpack it and give the folder."
        )
    if name.suffix.lower() in _DICOM_SUFFIXES and not name.name.startswith("."):
        state = "empty" if not start else "not DICOM in spite of its name"
        raise UnreadableFileError(f"The file is {state}. Copy it again from its source.")
    raise _PassedOver(NOT_DICOM)


def _check_is_mr(dataset: Dataset) -> None:
    header = Header(dataset)
    sop_class = "".join(header.strings("SOPClassUID"))
    if sop_class in MR_STORAGE:
        return
    stored_as = "".join(Header(dataset.file_meta).strings("MediaStorageSOPClassUID"))
    other = UID(sop_class or stored_as)
    recognised = other.name != other or header.holds("SOPInstanceUID")
    if other and recognised and stored_as not in MR_STORAGE:
        raise _PassedOver(f"{other.name}, not an MR image")
    raise UnreadableFileError(
        "SOPClassUID is {sop_class:private}; the header is cut short or damaged. Copy the file"
        " again from its source.",
        sop_class=sop_class or "missing",
    )


def _check_length(dataset: Dataset, held: int) -> None:
    expected = expected_pixel_bytes(dataset)
    if held < expected:
        raise UnreadableFileError(
            f"PixelData is cut short: the header promises {expected} bytes and the file holds"
            f" {held}. Copy the file again from its source."
        )

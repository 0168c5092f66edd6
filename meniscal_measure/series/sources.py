"""Which files lie under a path, and how each is opened: folder, single file, zip, DICOMDIR."""

from __future__ import annotations

import io
import lzma
import os
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, NamedTuple, Self, cast

import pydicom
from pydicom.filereader import read_file_meta_info
from pydicom.uid import MediaStorageDirectoryStorage

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.sentences import Sentence, plain
from meniscal_measure.series.attributes import HEADER_ERRORS, Header
from meniscal_measure.series.bounded import DAMAGE_ERRORS
from meniscal_measure.series.model import FileRef, Refusal

ZIP_MAGIC = (b"PK\x03\x04", b"PK\x05\x06")
"""First bytes of a zip archive, with members and empty (APPNOTE 4.3.7, 4.3.16)."""

MOST_MEMBER_BYTES = 2**29
"""Largest member of an archive that is unpacked, in memory: several times any series of a knee."""

MOST_RATIO = 100
"""An archive that says it unpacks to more than this many times its size, and to more than
`MOST_MEMBER_BYTES`, is made to fill a machine: images with noise in them shrink to a half or a
tenth (common practice, no source)."""

_ENCRYPTED_MEMBER = 0x1
"""Flag bit of a member that needs a password (APPNOTE 4.4.4)."""

_CHUNK_BYTES = {zipfile.ZIP_STORED: 2**20, zipfile.ZIP_DEFLATED: 2**20}
_SMALL_CHUNK_BYTES = 2**12
"""Bytes read at once; for other methods packed bytes, which may unpack to megabytes."""

ARCHIVE_ERRORS = (*DAMAGE_ERRORS, zipfile.BadZipFile, zlib.error, lzma.LZMAError)
"""What `zipfile` raises on damaged archives and members."""


class Found(NamedTuple):
    """The files under a path, and the places that could not be looked into."""

    files: list[FileRef]
    refusals: list[Refusal]


def files_under(path: Path) -> Found:
    """List the files a study is made of, in a fixed order.

    A folder is searched to any depth, zip archives in it included. A DICOMDIR gives the files it
    names (DICOM PS3.3 F.3), but only when named by `path` itself: inside a folder the images
    themselves are found, so a directory file adds nothing.

    Raises
    ------
    UsageError
        If there is no file or folder at `path`, or it may not be read.
    UnreadableFileError
        If a zip archive or a DICOMDIR is damaged.

    Examples
    --------
    >>> files, refused = files_under(sample)
    >>> len(files), refused
    (15, [])
    """
    try:
        if path.is_dir():
            os.scandir(path).close()
            return _walk(path)
        _check_is_file(path)  # before it is opened: a pipe would wait for a writer
        with path.open("rb") as stream:
            magic = stream.read(4)
    except (OSError, ValueError) as error:
        raise UsageError(
            "{path:private} cannot be read: {why}. Check who may read it.",
            path=str(path),
            why=getattr(error, "strerror", None) or "it is not a file name",
        ) from error
    if magic in ZIP_MAGIC:
        return Found(_members(path), [])
    return _directory_files(path) or Found([FileRef(path)], [])


def _check_is_file(path: Path) -> None:
    if not path.exists():
        raise UsageError(
            "{path:private} does not exist. Name a folder, a DICOM file, a zip archive or a"
            " DICOMDIR.",
            path=str(path),
        )
    if not path.is_file():
        raise UsageError(
            "{path:private} is neither a folder nor a file. Name a folder, a DICOM file, a zip"
            " archive or a DICOMDIR.",
            path=str(path),
        )


def _walk(top: Path) -> Found:
    """Search a folder; one that cannot be looked into hides none of the others."""
    found = Found([], [])
    pending = [top]
    while pending:
        folder = pending.pop()
        try:
            with os.scandir(folder) as listing:
                inside = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            why = Sentence(
                "The folder cannot be searched: {why}. Check who may read it, or move it nearer to"
                " the top.",
                {"why": error.strerror or "unknown"},
            )
            found.refusals.append(Refusal(FileRef(folder), why))
            continue
        folders = [entry for entry in inside if entry.is_dir(follow_symlinks=False)]
        pending += [Path(entry.path) for entry in reversed(folders)]
        for entry in inside:
            if _is_file(entry):  # a pipe or a socket would block
                found.files.extend(_file_or_members(Path(entry.path)))
    return found


def _is_file(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_file()
    except OSError:  # links in a circle
        return False


def _file_or_members(file: Path) -> list[FileRef]:
    if file.suffix.lower() == ".zip":
        try:
            return _members(file)
        except UnreadableFileError:
            pass  # opening it as a file says what is wrong
    return [FileRef(file)]


def _members(path: Path) -> list[FileRef]:
    try:
        with zipfile.ZipFile(path) as archive:
            members = [info for info in archive.infolist() if not info.is_dir()]
    except ARCHIVE_ERRORS as error:
        raise UnreadableFileError(
            "{path:private} is a damaged zip archive. Copy or pack it again.", path=str(path)
        ) from error
    unpacked_bytes = sum(info.file_size for info in members)
    if unpacked_bytes > max(MOST_MEMBER_BYTES, MOST_RATIO * path.stat().st_size):
        raise UnreadableFileError(
            "{path:private} says that it unpacks to {size:.0f} MB, more than {ratio} times its"
            " size; no images do. Unpack it yourself if you trust it, and give the folder.",
            path=str(path),
            size=unpacked_bytes / 1e6,
            ratio=MOST_RATIO,
        )
    return [FileRef(path, name) for name in sorted(info.filename for info in members)]


def _directory_files(path: Path) -> Found | None:
    """List the files that a DICOMDIR names; None when `path` is not one."""
    try:
        meta = read_file_meta_info(path)
        if "".join(Header(meta).strings("MediaStorageSOPClassUID")) != MediaStorageDirectoryStorage:
            return None
        directory = pydicom.dcmread(path, specific_tags=["DirectoryRecordSequence"])
        names = [
            [name] if isinstance(name, str) else list(map(str, name))
            for record in directory.get("DirectoryRecordSequence") or []
            if (name := record.get("ReferencedFileID"))
            and record.get("RecordInUseFlag") != 0  # out of use (0004,1410)
        ]
    except HEADER_ERRORS:
        return None  # whatever it is, scanning it as a single file says what is wrong with it
    if not names:
        raise UnreadableFileError(
            "{path:private} is a DICOMDIR that names no file. Give the folder of the images"
            " instead.",
            path=str(path),
        )
    found = Found([], [])
    for parts in names:
        if all(map(_is_plain, parts)):
            found.files.append(FileRef(_located(path.parent, parts)))
        else:
            reason = plain(
                "It names a file in a way that leads out of its folder or is not a name. Give the"
                " folder of the images instead."
            )
            found.refusals.append(Refusal(FileRef(path), reason))
    return found


def _is_plain(part: str) -> bool:
    """Whether a part of a name stays in its folder (DICOM PS3.10 section 8.2 allows less)."""
    return part.isprintable() and part not in ("", ".", "..") and not set(part) & set("/\\:")


def _located(folder: Path, names: Sequence[str]) -> Path:
    """Follow the names of a DICOMDIR; some media are mounted with all names in lower case."""
    path = folder.joinpath(*names)
    lower = folder.joinpath(*(name.lower() for name in names))
    try:
        return lower if lower.exists() and not path.exists() else path
    except OSError:  # no file can have this name, as opening it says
        return path


class Opener:
    """Opens files and zip members, keeping the last archive open from one member to the next."""

    def __init__(self) -> None:
        self._archive: zipfile.ZipFile | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._archive is not None:
            self._archive.close()

    def open(self, file: FileRef) -> BinaryIO:
        """Open a file for reading from its start; the stream can be searched.

        Raises
        ------
        UnreadableFileError
            If it is missing, locked, encrypted, damaged or unpacks to too much. The caller names
            the file.
        """
        try:
            if file.member is None:
                return file.path.open("rb")
            return cast(BinaryIO, _unpacked(self._archive_at(file.path), file.member))
        except ARCHIVE_ERRORS as error:
            reason = getattr(error, "strerror", None) or "it is damaged or missing in the archive"
            raise UnreadableFileError(
                f"The file cannot be read: {reason}. Check that it was copied whole and may be"
                " read."
            ) from error

    def _archive_at(self, path: Path) -> zipfile.ZipFile:
        if self._archive is None or self._archive.filename != str(path):
            if self._archive is not None:
                self._archive.close()
            self._archive = zipfile.ZipFile(path)
        return self._archive


def _unpacked(archive: zipfile.ZipFile, member: str) -> io.BytesIO:
    info = archive.getinfo(member)
    if info.flag_bits & _ENCRYPTED_MEMBER:
        raise UnreadableFileError(
            "The file is protected by a password. Unpack the archive and give the folder."
        )
    content = io.BytesIO()
    chunk_bytes = _CHUNK_BYTES.get(info.compress_type, _SMALL_CHUNK_BYTES)
    with archive.open(info) as packed:
        while info.file_size <= MOST_MEMBER_BYTES and content.tell() <= MOST_MEMBER_BYTES:
            chunk = packed.read(chunk_bytes)
            if not chunk:
                content.seek(0)
                return content
            content.write(chunk)
    raise UnreadableFileError(
        f"The file unpacks to more than {MOST_MEMBER_BYTES / 1e6:.0f} MB. Unpack the archive and"
        " give the folder."
    )

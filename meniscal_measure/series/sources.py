"""Which files lie under a path, and how each is opened: folder, single file, zip, DICOMDIR."""

from __future__ import annotations

import io
import os
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self, cast

import pydicom
from pydicom.filereader import read_file_meta_info
from pydicom.uid import MediaStorageDirectoryStorage

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.series.attributes import HEADER_ERRORS, Header
from meniscal_measure.series.model import FileRef

ZIP_MAGIC = (b"PK\x03\x04", b"PK\x05\x06")
"""First bytes of a zip archive, with members and empty (APPNOTE 4.3.7, 4.3.16)."""

_ENCRYPTED_MEMBER = 0x1
"""Bit of a member's flags that says it needs a password (APPNOTE 4.4.4)."""

_INACTIVE_RECORD = 0
"""Record In-use Flag (0004,1410) of a directory record that is out of use."""


def files_under(path: Path) -> list[FileRef]:
    """List the files a study is made of, in a fixed order.

    A folder is searched to any depth, zip archives in it included. A DICOMDIR gives the files it
    names (DICOM PS3.3 F.3), but only when named by `path` itself: inside a folder the images
    themselves are found, so a directory file adds nothing.

    Raises
    ------
    UsageError
        If there is nothing at `path` or it may not be read.
    UnreadableFileError
        If a zip archive or a DICOMDIR is damaged.
    """
    try:
        if path.is_dir():
            return list(_walk(path))
        with path.open("rb") as stream:
            magic = stream.read(4)
    except FileNotFoundError as error:
        raise UsageError(
            f"{path} does not exist. Name a folder, a DICOM file, a zip archive or a DICOMDIR."
        ) from error
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read: {error.strerror}. Check who may read it."
        ) from error
    if magic in ZIP_MAGIC:
        return _members(path)
    return _directory_files(path) or [FileRef(path)]


def _walk(folder: Path) -> Iterator[FileRef]:
    def refuse(error: OSError) -> None:
        raise UsageError(
            f"{error.filename} cannot be read: {error.strerror}. Check who may read it."
        )

    for parent, folders, names in os.walk(folder, onerror=refuse):
        folders.sort()
        for name in sorted(names):
            file = Path(parent, name)
            if file.is_file():  # a pipe or a socket would block
                yield from _file_or_members(file)


def _file_or_members(file: Path) -> list[FileRef]:
    if file.suffix.lower() == ".zip":
        with suppress(UnreadableFileError, OSError):  # opening it as a file says what is wrong
            return _members(file)
    return [FileRef(file)]


def _members(path: Path) -> list[FileRef]:
    try:
        with zipfile.ZipFile(path) as archive:
            names = [info.filename for info in archive.infolist() if not info.is_dir()]
    except zipfile.BadZipFile as error:
        raise UnreadableFileError(
            f"{path} is a damaged zip archive ({error}). Copy or pack it again."
        ) from error
    return [FileRef(path, name) for name in sorted(names)]


def _directory_files(path: Path) -> list[FileRef]:
    """List the files that a DICOMDIR names; nothing when `path` is not one."""
    try:
        meta = read_file_meta_info(path)
        if "".join(Header(meta).strings("MediaStorageSOPClassUID")) != MediaStorageDirectoryStorage:
            return []
        dataset = pydicom.dcmread(path, specific_tags=["DirectoryRecordSequence"])
    except HEADER_ERRORS:
        return []  # whatever it is, scanning it as a single file says what is wrong with it
    records = dataset.get("DirectoryRecordSequence") or []
    named = [
        record.ReferencedFileID
        for record in records
        if record.get("ReferencedFileID") and record.get("RecordInUseFlag") != _INACTIVE_RECORD
    ]
    if not named:
        raise UnreadableFileError(
            f"{path} is a DICOMDIR that names no file. Give the folder of the images instead."
        )
    parts = [[name] if isinstance(name, str) else list(name) for name in named]
    return [FileRef(_located(path.parent, names)) for names in parts]


def _located(folder: Path, names: Sequence[str]) -> Path:
    """Follow the names of a DICOMDIR; some media are mounted with all names in small letters."""
    path = folder.joinpath(*names)
    small = folder.joinpath(*(name.lower() for name in names))
    return small if small.exists() and not path.exists() else path


class Opener:
    """Opens files and zip members, keeping the last archive open from one member to the next."""

    def __init__(self) -> None:
        self._archive: zipfile.ZipFile | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._archive is not None:
            self._archive.close()

    def open(self, file: FileRef) -> BinaryIO:
        """Open a file for reading from its start; the stream can be searched.

        Raises
        ------
        UnreadableFileError
            If it is missing, locked, encrypted or damaged. The caller names the file.
        """
        try:
            return self._opened(file)
        except (OSError, KeyError, zipfile.BadZipFile, zlib.error, NotImplementedError) as error:
            reason = getattr(error, "strerror", None) or "it is damaged or missing in the archive"
            raise UnreadableFileError(
                f"The file cannot be read: {reason}. Check that it was copied whole and may be"
                " read."
            ) from error

    def _opened(self, file: FileRef) -> BinaryIO:
        if file.member is None:
            return file.path.open("rb")
        archive = self._archive_at(file.path)
        if archive.getinfo(file.member).flag_bits & _ENCRYPTED_MEMBER:
            raise UnreadableFileError(
                "The file is protected by a password. Unpack the archive and give the folder."
            )
        return cast(BinaryIO, io.BytesIO(archive.read(file.member)))

    def _archive_at(self, path: Path) -> zipfile.ZipFile:
        if self._archive is None or self._archive.filename != str(path):
            if self._archive is not None:
                self._archive.close()
            self._archive = zipfile.ZipFile(path)
        return self._archive

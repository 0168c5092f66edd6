"""Whether what a reading is made from has changed: by names, sizes and times, or by bytes."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.optional_packages import optional
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.locate.released import checksums

ALGORITHM = "sha256"

FINGERPRINT_BYTES = 16
"""Of the hash of names, sizes and times: 128 bits, so that a million do not collide."""

LANDMARK_SUFFIXES = (".json", ".csv")
"""Files beside the images that are none: a reader's landmarks must not touch another's reading."""

URL_ERRORS = (OSError, ValueError, ImportError)
"""What fsspec raises where a place cannot be reached or is of a kind it does not know."""


@dataclass(frozen=True)
class Digests:
    """SHA-256 of the bytes that a reading is made from, whatever the files are called."""

    images: str
    landmarks: str
    """Empty where there is no landmark file."""
    whole: str
    """Of both, and of what else decides the reading: side, series and, if proposed, networks."""


def is_url(path: str) -> bool:
    """Whether a path names a place that fsspec has to fetch from.

    Examples
    --------
    >>> is_url("https://archive.example/knee.zip"), is_url("C:/knees/knee.zip")
    (True, False)
    """
    return "://" in path


@contextmanager
def fetched(entry: Entry) -> Iterator[tuple[Path, Path | None]]:
    """Make images and landmarks available as files.

    Yields
    ------
    tuple
        Path of the images and of the landmark file, the latter None if there is none. Copies of
        what an fsspec URL names lie in a temporary folder and go when the context ends.

    Raises
    ------
    UsageError
        If a URL is given and fsspec is not installed.
    UnreadableFileError
        If a URL cannot be fetched.
    """
    if not (is_url(entry.path) or is_url(entry.landmarks)):
        yield Path(entry.path), Path(entry.landmarks) if entry.landmarks else None
        return
    with tempfile.TemporaryDirectory(prefix="meniscal-measure-") as folder:
        images = _local(entry.path, Path(folder, "images"))
        landmarks = _local(entry.landmarks, Path(folder, "landmarks")) if entry.landmarks else None
        yield images, landmarks


def stat_fingerprint(entry: Entry) -> bytes | None:
    """Fingerprint names, sizes and times of the files of an entry, reading none of them.

    Equal fingerprints mean that nothing was touched. What a URL names is fingerprinted by what its
    file system says of it: size, time, version token.

    Returns
    -------
    bytes or None
        None if the images or the landmark file cannot be found.

    Raises
    ------
    UsageError
        If a URL is given and fsspec is not installed.

    Examples
    --------
    >>> stat_fingerprint(Entry("S1", "no such folder")) is None
    True
    """
    parts = [_choices(entry), entry.path, entry.landmarks]
    try:
        for path in (entry.path, entry.landmarks):
            if is_url(path):
                parts.extend(_url_lines(path))
            elif path:
                parts.extend(_stat_lines(path))
    except (FileNotFoundError, NotADirectoryError):
        return None
    text = "\n".join(parts).encode("utf-8", "surrogateescape")
    return hashlib.blake2b(text, digest_size=FINGERPRINT_BYTES).digest()


def digests(entry: Entry, images: Path, landmarks: Path | None) -> Digests:
    """Hash the bytes of images and landmarks and what the manifest says about them.

    Names and places of the files do not count.

    Raises
    ------
    UnreadableFileError
        If a file cannot be read.
    """
    own = _digest(sorted(_file_digest(path) for path in _files(images)))
    marks = "" if landmarks is None else _file_digest(str(landmarks))
    return Digests(own, marks, _digest([_choices(entry), own, marks]))


def _digest(lines: list[str]) -> str:
    return hashlib.new(ALGORITHM, "\n".join(lines).encode()).hexdigest()


def _choices(entry: Entry) -> str:
    """Name what the manifest, and not the files, decides about the reading.

    Where it leaves the landmarks to be proposed, that is the networks that propose them.
    """
    by = "" if entry.landmarks else checksums()
    return f"side {entry.side} series {entry.series}{by}"


def networks_digest() -> str:
    """Name the networks of this installation by the hash of their checksums."""
    return hashlib.new(ALGORITHM, checksums().encode()).hexdigest()


def _file_system(url: str) -> tuple[Any, str]:
    fsspec = optional("fsspec", "Fetching from a URL", "cluster")
    files, root = fsspec.core.url_to_fs(url)
    return files, root


def _url_lines(url: str) -> Iterator[str]:
    try:
        files, root = _file_system(url)
        found = files.find(root, detail=True) or {root: files.info(root)}
    except URL_ERRORS as error:
        yield f"{url} {error}"  # not known now; the measuring will say why
        return
    for name in sorted(found):
        details = sorted((key, str(value)) for key, value in found[name].items())
        yield f"{name} {details}"


def _local(path: str, copy: Path) -> Path:
    if not is_url(path):
        return Path(path)
    copy = copy / Path(path).name
    try:
        files, root = _file_system(path)
        copy.parent.mkdir()
        files.get(root, str(copy), recursive=files.isdir(root))
    except URL_ERRORS as error:
        raise UnreadableFileError(
            "{path:private} cannot be fetched: {reason:private}.", path=str(path), reason=str(error)
        ) from error
    return copy


def _stat_lines(path: str) -> list[str]:
    """Describe a file, or every file in a folder; called for every knee of the cohort."""
    found = os.stat(path)  # noqa: PTH116 - a million calls, and no Path is needed
    if found.st_mode & 0o170000 != 0o040000:
        return [_stat_line(found)]
    lines: list[str] = []
    _list_folder(path, lines)
    lines.sort()
    return lines


def _stat_line(found: os.stat_result) -> str:
    """Size and times, and which file it is: copies may all have one size and time of writing."""
    return f"{found.st_size} {found.st_mtime_ns} {found.st_ctime_ns} {found.st_ino}"


def _list_folder(path: str, lines: list[str]) -> None:
    try:
        with os.scandir(path) as items:
            for item in items:
                _list_item(item, lines)
    except OSError as error:
        lines.append(f"{path} {error.strerror}")


def _list_item(item: os.DirEntry[str], lines: list[str]) -> None:
    """Describe one entry; a link that leads nowhere hides none of the others."""
    try:
        if item.is_dir():
            _list_folder(item.path, lines)
        elif item.is_file() and not item.name.endswith(LANDMARK_SUFFIXES):
            lines.append(f"{item.path} {_stat_line(item.stat())}")
    except OSError as error:
        lines.append(f"{item.path} {error.strerror}")


def _files(images: Path) -> Iterator[str]:
    if images.is_file():
        yield str(images)
    for parent, _, names in os.walk(images):
        paths = (f"{parent}/{name}" for name in names if not name.endswith(LANDMARK_SUFFIXES))
        yield from filter(os.path.isfile, paths)  # not pipes, nor links that lead nowhere


def _file_digest(path: str) -> str:
    try:
        # Unbuffered, and with no Path: once for every slice of the cohort.
        with open(path, "rb", buffering=0) as stream:  # noqa: PTH123
            return hashlib.file_digest(stream, ALGORITHM).hexdigest()
    except OSError as error:
        raise UnreadableFileError(
            "{path:private} cannot be read: {reason}.",
            path=str(path),
            reason=error.strerror or "unknown",
        ) from error

"""Telling whether what a reading is made from has changed: by a glance, and by its bytes."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import is_url
from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.locate.networks import checksums

ALGORITHM = "sha256"

PIECE_BYTES = 2**20
"""Read and hashed at a time: a slice in one piece, and little memory for a whole volume."""

LANDMARK_SUFFIXES = (".json", ".csv")
"""Files beside the images that are none: a reader's landmarks must not touch another's reading."""


@contextmanager
def fetched(entry: Entry) -> Iterator[tuple[Path, Path | None]]:
    """Bring images and landmarks within reach of the file system.

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
        images = _near(entry.path, Path(folder, "images"))
        landmarks = _near(entry.landmarks, Path(folder, "landmarks")) if entry.landmarks else None
        yield images, landmarks


def glance(entry: Entry) -> str:
    """Fingerprint names, sizes and times of the files of an entry, reading none of them.

    Equal fingerprints mean that nothing was touched. What a URL names is fingerprinted by the URL
    alone: a changed file has to be put under a new one.
    """
    parts = [_choices(entry), entry.path, entry.landmarks]
    for path in filter(None, (entry.path, entry.landmarks)):
        if not is_url(path):
            parts.extend(sorted(_stats(path)))
    return hashlib.new(ALGORITHM, "\n".join(parts).encode()).hexdigest()


def digest(entry: Entry, images: Path, landmarks: Path | None) -> str:
    """Hash the bytes of images and landmarks and what the manifest says about them.

    Names and places of the files do not count.

    Raises
    ------
    UnreadableFileError
        If a file cannot be read.
    """
    pieces = sorted(_file_digest(path) for path in _files(images))
    if landmarks is not None:
        pieces.append(_file_digest(str(landmarks)))
    return hashlib.new(ALGORITHM, "\n".join([_choices(entry), *pieces]).encode()).hexdigest()


def _choices(entry: Entry) -> str:
    """Name what the manifest, and not the files, decides about the reading.

    Where it leaves the landmarks to be proposed, that is the networks that propose them.
    """
    by = "" if entry.landmarks else checksums()
    return f"side {entry.side} series {entry.series}{by}"


def _near(path: str, copy: Path) -> Path:
    if not is_url(path):
        return Path(path)
    try:
        import fsspec  # type: ignore[import-untyped]
    except ImportError as error:
        raise UsageError(
            f"Fetching {path} needs fsspec, which is not installed:"
            " pip install 'meniscal-measure[cluster]'."
        ) from error
    copy = copy / Path(path).name
    try:
        files, root = fsspec.core.url_to_fs(path)
        copy.parent.mkdir()
        files.get(root, str(copy), recursive=files.isdir(root))
    except (OSError, ValueError, ImportError) as error:
        raise UnreadableFileError(f"{path} cannot be fetched: {error}.") from error
    return copy


def _stats(path: str) -> Iterator[str]:
    try:
        if not os.path.isdir(path):  # noqa: PTH112 - many thousand calls, and no Path is needed
            yield _stat_line(path, os.stat(path))  # noqa: PTH116
            return
        with os.scandir(path) as items:
            for item in items:
                if item.is_dir():
                    yield from _stats(item.path)
                elif not item.name.endswith(LANDMARK_SUFFIXES):
                    yield _stat_line(item.path, item.stat())
    except OSError as error:
        yield f"{path} {error.strerror}"


def _stat_line(path: str, found: os.stat_result) -> str:
    return f"{path} {found.st_size} {found.st_mtime_ns}"


def _files(images: Path) -> Iterator[str]:
    if images.is_file():
        yield str(images)
    for parent, _, names in os.walk(images):
        yield from (f"{parent}/{name}" for name in names if not name.endswith(LANDMARK_SUFFIXES))


def _file_digest(path: str) -> str:
    try:
        # Unbuffered, and with no Path: once for every slice of the cohort.
        with open(path, "rb", buffering=0) as stream:  # noqa: PTH123
            found = hashlib.new(ALGORITHM)
            while piece := stream.read(PIECE_BYTES):
                found.update(piece)
            return found.hexdigest()
    except OSError as error:
        raise UnreadableFileError(f"{path} cannot be read: {error.strerror}.") from error

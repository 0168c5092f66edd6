"""What lies beside the images neither stops a reading nor hides that they changed."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.source_files import digests, stat_fingerprint


@pytest.fixture
def entry(tmp_path: Path) -> Entry:
    """Two images, between them by name a link to nowhere, one to itself, and a pipe."""
    folder = tmp_path / "images"
    folder.mkdir()
    (folder / "a.dcm").write_bytes(b"first")
    (folder / "b.dcm").symlink_to(folder / "nowhere")
    (folder / "c.dcm").symlink_to(folder / "c.dcm")
    if hasattr(os, "mkfifo"):
        os.mkfifo(folder / "d.dcm")
    (folder / "e.dcm").write_bytes(b"last")
    return Entry(subject="S1", path=str(folder))


@pytest.mark.parametrize("name", ["a.dcm", "e.dcm"])
def test_a_change_of_any_image_shows(entry: Entry, name: str) -> None:
    images = Path(entry.path)
    before = stat_fingerprint(entry), digests(entry, images, None)
    (images / name).write_bytes(b"another content")
    assert stat_fingerprint(entry) != before[0]
    assert digests(entry, images, None) != before[1]


@pytest.mark.parametrize("choice", [{"side": Side.LEFT}, {"series": 2}])
def test_another_choice_of_the_manifest_shows(entry: Entry, choice: dict[str, Any]) -> None:
    """The same images give another reading on another side, or in another series."""
    other = replace(entry, **choice)
    assert stat_fingerprint(other) != stat_fingerprint(entry)
    assert (
        digests(other, Path(entry.path), None).whole != digests(entry, Path(entry.path), None).whole
    )


def test_what_is_no_file_does_not_count(entry: Entry) -> None:
    images = Path(entry.path)
    before = digests(entry, images, None)
    for path in images.iterdir():
        if not path.is_file():
            path.unlink()
    assert digests(entry, images, None) == before


def test_folders_exchanged_show_though_sizes_and_times_are_the_same(tmp_path: Path) -> None:
    """As those of images that one program has written to have no dates."""
    first, second = tmp_path / "first", tmp_path / "second"
    for folder in (first, second):
        folder.mkdir()
        (folder / "a.dcm").write_bytes(folder.name[:5].encode())
        os.utime(folder / "a.dcm", ns=(1, 1))
    entries = [Entry(subject=folder.name, path=str(folder)) for folder in (first, second)]
    before = [stat_fingerprint(entry) for entry in entries]
    first.rename(tmp_path / "aside")
    second.rename(first)
    (tmp_path / "aside").rename(second)
    for entry, old in zip(entries, before, strict=True):
        assert stat_fingerprint(entry) != old


def test_a_change_shows_though_size_and_time_were_put_back(entry: Entry) -> None:
    image = Path(entry.path) / "a.dcm"
    before, times = stat_fingerprint(entry), image.stat()
    image.with_name("new").write_bytes(b"First")
    image.with_name("new").replace(image)
    os.utime(image, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert stat_fingerprint(entry) != before

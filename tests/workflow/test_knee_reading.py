"""A reading saved together with its images."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import meniscal_measure

JPEG_START = b"\xff\xd8\xff"
"""SOI and the first byte of the next marker (ISO/IEC 10918-1, table B.1)."""


@pytest.mark.usefixtures("without_pictures")
def test_a_neighbour_that_cannot_be_shown_is_reported_without_its_path(
    samples: Path, tmp_path: Path
) -> None:
    """Folders may carry a patient's name, which no list of identifiers knows."""
    study = Path(shutil.copytree(samples / "exactly-3mm", tmp_path / "SURNAME GIVEN"))
    knee = meniscal_measure.measure(study, landmarks=study / "landmarks.json")
    beside = knee.stack.frames[knee.reading.measured.slice_index + 1].file.path
    content = beside.read_bytes()
    start = content.index(JPEG_START) + 2
    beside.write_bytes(content[:start] + bytes(60) + content[start + 60 :])

    saved = knee.save(tmp_path / "out", identifiers=False)

    *_, warning = json.loads(saved.reading.read_text("utf-8"))["warnings"]
    assert "is not shown: The pixel data of [left out]" in warning["text"]
    assert "NAME" not in json.dumps(warning)

"""What version 0.1.0 wrote stays readable: a reading of schema version 1 and a signed file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import meniscal_measure
from meniscal_measure.anatomy import Landmark
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.errors import InputError, LandmarkError
from meniscal_measure.records.codec import reading_from_dict, reading_to_dict
from meniscal_measure.records.earlier_layout import newest_layout
from meniscal_measure.records.landmark_file import read_landmarks
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.records.signatures import check_seals

WRITTEN = Path(__file__).parent / "version-1"


@pytest.fixture
def record() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((WRITTEN / "reading.json").read_text())
    return loaded


def test_a_reading_of_schema_version_1_is_read(record: dict[str, Any]) -> None:
    reading = read_reading(WRITTEN / "reading.json")
    assert reading.medial is not None
    assert reading.medial.extrusion.extrusion_mm == record["medial"]["extrusion_mm"]
    assert Landmark.FREE_EDGE in reading.medial.landmarks
    assert reading.conventions.slice is SliceConvention.MEDIAL_SPINE_APEX
    assert (reading.verified, reading.verified_by) == (True, "A")
    check_seals(reading)


def test_it_is_written_again_as_this_version_has_it(record: dict[str, Any]) -> None:
    reading = reading_from_dict(record)
    again = json.loads(json.dumps(reading_to_dict(reading)))
    assert again["schema"]["version"] == 2
    assert reading_from_dict(again) == reading


def test_a_file_signed_under_the_earlier_name_of_the_free_edge_still_counts_as_signed(
    samples: Path,
) -> None:
    path = WRITTEN / "signed.landmarks.json"
    knee = meniscal_measure.measure(samples / "root-tear", landmarks=path)
    assert knee.reading.verified_by == "A"
    assert knee.medial is not None
    assert Landmark.FREE_EDGE in knee.medial.landmarks


def test_such_a_file_is_refused_once_a_landmark_was_moved(tmp_path: Path) -> None:
    content = json.loads((WRITTEN / "signed.landmarks.json").read_text())
    content["slices"][0]["medial_inner_tip"][0] += 0.5
    (tmp_path / "moved.json").write_text(json.dumps(content))
    with pytest.raises(LandmarkError, match="was changed after A signed it"):
        read_landmarks(tmp_path / "moved.json")


@pytest.mark.parametrize("part", ["slice", "conventions", "source", "verified_by"])
def test_a_damaged_one_is_refused_in_words(record: dict[str, Any], part: str) -> None:
    """As a store that is damaged holds it, where nothing else checks its layout."""
    del record[part]
    with pytest.raises(InputError, match=rf"The record is damaged .*{part}"):
        newest_layout(record)

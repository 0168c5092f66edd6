"""What stands signed in a store is read back, or refused in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError, OutputError
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.journal import Journal, Verdict
from meniscal_measure.records.signed_readings import signed_readings
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from tests.handmade_readings import Case


def sign(path: Path, content: dict[str, Any]) -> None:
    store = SignedStore(path, {})
    with store.writing() as connection:
        Journal(store).append(connection, TaskKey("A", "K1", 1), Verdict.MEASURED, content)


@pytest.fixture
def content(case: Case) -> dict[str, Any]:
    """What the page signs, as far as other rooms read it."""
    reading: Reading = case[0]
    return {"reading": reading_to_dict(reading), "rejection": None, "series": {"key": "2.25.2"},
            "quality": ["motion"], "remark": "a little"}  # fmt: skip


def test_what_was_signed_is_read_back(tmp_path: Path, case: Case, content: dict[str, Any]) -> None:
    sign(tmp_path / "signed.sqlite", content)

    (signed,) = signed_readings(tmp_path / "signed.sqlite")

    assert signed.reading == case[0]
    assert (signed.reader, signed.knee, signed.quality) == ("A", "K1", ("motion",))


@pytest.mark.parametrize(
    "change",
    [{"quality": None}, {"quality": 7}, {"series": "2.25.2"}, {"reading": 3}, {"reading": []}],
    ids=str,
)
def test_content_of_another_layout_is_refused_though_its_seal_holds(
    tmp_path: Path, content: dict[str, Any], change: dict[str, Any]
) -> None:
    sign(tmp_path / "signed.sqlite", content | change)

    with pytest.raises(InputError, match="Signing 1"):
        list(signed_readings(tmp_path / "signed.sqlite"))


@pytest.mark.parametrize("flags", [7, "7", ["medial"], "no JSON"], ids=str)
def test_damaged_flags_are_said_to_be_damage(
    tmp_path: Path, content: dict[str, Any], flags: object
) -> None:
    sign(tmp_path / "signed.sqlite", content | {"flags": flags})

    with pytest.raises(OutputError, match=r"signed\.sqlite cannot be used"):
        Journal(SignedStore(tmp_path / "signed.sqlite", {})).outcomes()


def test_a_verdict_that_is_none_is_said_to_be_damage(
    tmp_path: Path, content: dict[str, Any]
) -> None:
    path = tmp_path / "signed.sqlite"
    sign(path, content)
    whole = path.read_bytes()
    assert b"AK1measured" in whole  # reader, knee and verdict, as SQLite stores a row
    path.write_bytes(whole.replace(b"AK1measured", b"AK1Measured"))

    with pytest.raises(OutputError, match=r"signed\.sqlite cannot be used"):
        list(signed_readings(path))

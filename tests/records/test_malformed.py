"""Whatever stands in a reading.json, it is read or refused in words; nothing else escapes."""

from __future__ import annotations

import copy
import io
import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

import meniscal_measure
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import MeniscalMeasureError
from meniscal_measure.records.codec import reading_from_dict, reading_to_dict
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.report.rows import readings_csv
from meniscal_measure.report.table import reading_table
from meniscal_measure.series.model import Study
from meniscal_measure.workflow import reopen

VERSION_1 = Path(__file__).parent / "version-1" / "reading.json"

HOSTILE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**20, 10**400, -1, 0, 1e308, -1e308, 5e-324, "", "\0", "\x1b[2J", "=1"]),
    st.floats(),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=4),
    st.dictionaries(st.text(max_size=4), st.integers(), max_size=3),
)


@pytest.fixture(scope="module")
def study(samples: Path) -> Study:
    return meniscal_measure.read(samples / "root-tear")


@pytest.fixture(scope="module")
def records(samples: Path, study: Study) -> list[dict[str, Any]]:
    """A reading of this version, on the study, and one of version 1."""
    knee = meniscal_measure.measure(study, landmarks=samples / "root-tear" / "landmarks.json")
    newest = json.loads(json.dumps(reading_to_dict(knee.reading)))
    return [newest, json.loads(VERSION_1.read_text())]


def holders(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every object and list in a record, with each of its keys or places."""
    if isinstance(value, dict | list):
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            yield value, key
            yield from holders(value[key])


def spoil(record: dict[str, Any], data: st.DataObject) -> None:
    """Replace, remove or add something somewhere."""
    places = list(holders(record))
    holder, key = places[data.draw(st.integers(0, len(places) - 1))]
    how = data.draw(st.sampled_from(["replace", "replace", "replace", "remove", "add"]))
    if how == "replace":
        holder[key] = data.draw(HOSTILE)
    elif how == "remove":
        del holder[key]
    elif isinstance(holder, dict):
        holder[data.draw(st.text(max_size=6))] = data.draw(HOSTILE)
    else:
        holder.append(data.draw(HOSTILE))


def show(reading: Reading) -> None:
    """Say in every way that needs no pixels what a reading holds."""
    Console(file=io.StringIO()).print(reading_table(reading))
    readings_csv([reading])
    json.dumps(reading_to_dict(reading))


@settings(deadline=None, max_examples=300)
@given(data=st.data())
def test_a_mutated_record_is_read_or_refused_in_words(
    records: list[dict[str, Any]], study: Study, data: st.DataObject
) -> None:
    record = copy.deepcopy(data.draw(st.sampled_from(records)))
    for _ in range(data.draw(st.integers(1, 3))):
        spoil(record, data)
    with suppress(MeniscalMeasureError):
        reading = reading_from_dict(record)
        show(reading)
        show(without_identifiers(reading))
        reopen(reading, study)


@settings(deadline=None, max_examples=200)
@given(cut=st.integers(0, 20_000), put=st.binary(max_size=4), length=st.integers(0, 6))
def test_a_file_of_damaged_bytes_is_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, cut: int, put: bytes, length: int
) -> None:
    content = VERSION_1.read_bytes()
    path = tmp_path_factory.getbasetemp() / "corrupted.json"
    path.write_bytes(content[:cut] + put + content[cut + length :])
    with suppress(MeniscalMeasureError):
        read_reading(path)


@pytest.mark.parametrize(
    "content",
    [b"", b"[" * 100_000, b'{"schema": ' * 100_000, b"1" * 5_000, b'{"schema": NaN}',
     b'{"schema": {"id": "urn:meniscal-measure:reading", "version": 1e999}}', b'"\\ud800"'],
    ids=["empty", "deep list", "deep object", "digits", "NaN", "infinite", "lone surrogate"],
)  # fmt: skip
def test_what_is_hardly_json_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "reading.json").write_bytes(content)
    with pytest.raises(MeniscalMeasureError, match=r"Give a reading\.json|schema is"):
        read_reading(tmp_path / "reading.json")

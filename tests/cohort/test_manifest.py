"""A manifest is taken whole or not at all, with every problem named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import manifest_csv, read_manifest
from meniscal_measure.errors import ManifestError, UsageError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two imaged knees and a landmark file."""
    for name in ("k1", "k2"):
        (tmp_path / name).mkdir()
    (tmp_path / "k1.json").write_text("{}")
    return tmp_path


def written(folder: Path, text: str) -> Path:
    path = folder / "manifest.csv"
    path.write_text(text, "utf-8")
    return path


def test_paths_are_taken_from_the_folder_of_the_manifest(folder: Path) -> None:
    path = written(
        folder,
        "subject,visit,side,group,path,landmarks,reader,repeat\nS1,1,left,tear,k1,k1.json,A,2\n",
    )
    assert list(read_manifest(path)) == [
        Entry(
            subject="S1",
            path=str(folder / "k1"),
            visit="1",
            side=Side.LEFT,
            group="tear",
            landmarks=str(folder / "k1.json"),
            reader="A",
            repeat=2,
        )
    ]


def test_only_subject_and_path_are_required(folder: Path) -> None:
    (entry,) = read_manifest(written(folder, "path,subject\nk1,S1\n"))
    assert (entry.subject, entry.side, entry.repeat) == ("S1", None, 1)


def test_a_byte_order_mark_and_spreadsheet_line_ends_are_read(folder: Path) -> None:
    path = folder / "manifest.csv"
    path.write_bytes("\ufeffsubject,path\r\nS1,k1\r\n".encode())
    assert [entry.subject for entry in read_manifest(path)] == ["S1"]


def test_every_problem_of_every_line_is_listed_at_once(folder: Path) -> None:
    path = written(
        folder,
        "subject,side,path,landmarks,repeat,series\n"
        ",left,k1,,,\n"
        "S2,port,k2,none.json,0,\n"
        "S3,right,,,,x\n"
        "S4,right,k9,,,\n"
        "S5,right,k1,,,\n"
        "S5,R,k2,,1,\n"
        "S6,right,k1,,,,spare\n"
        "S7,right,k1,,,\n"
        "S8,right,k1,k1.json,,\n"
        "S9,right,k1,,,2\n",
    )
    with pytest.raises(ManifestError, match="has 10 problems; nothing was measured") as caught:
        list(read_manifest(path))
    message = str(caught.value)
    for problem in (
        "line 2: no subject",
        "line 3: repeat '0' is not a whole number from 1",
        "line 3: side 'port' is neither left nor right",
        f"line 3: the landmark file {folder / 'none.json'} cannot be found",
        "line 4: series 'x' is not a whole number from 1",
        "line 4: no path, and no reason in column exclude",
        f"line 5: the images {folder / 'k9'} cannot be found",
        "line 7: the same knee, visit, reader and repeat as line 6",
        "line 8: more cells than there are columns",
        "line 9: the same images as line 6, for another subject or visit",
    ):
        assert problem in message


def test_an_excluded_knee_needs_no_images(folder: Path) -> None:
    (entry,) = read_manifest(written(folder, "subject,path,exclude\nS1,,claustrophobia\n"))
    assert entry.exclude == "claustrophobia"


def test_what_lies_behind_an_url_is_not_looked_for(folder: Path) -> None:
    (entry,) = read_manifest(written(folder, "subject,path\nS1,s3://bucket/k1\n"))
    assert entry.path == "s3://bucket/k1"


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("subject,folder", "there is no column 'path'; column 'folder' is not known"),
        ("", "there is no column 'subject'; there is no column 'path'"),
    ],
)
def test_columns_missing_or_misspelt_are_named(folder: Path, header: str, message: str) -> None:
    with pytest.raises(ManifestError, match=message):
        list(read_manifest(written(folder, f"{header}\n")))


def test_a_missing_manifest_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        list(read_manifest(tmp_path / "manifest.csv"))


def test_a_manifest_in_another_encoding_is_said(folder: Path) -> None:
    path = folder / "manifest.csv"
    path.write_bytes(b"subject,path\nM\xfcller,k1\n")
    with pytest.raises(UsageError, match="not a CSV table in UTF-8"):
        list(read_manifest(path))


def test_parquet_holds_the_same_manifest(folder: Path) -> None:
    table = pa.table({"subject": ["S1", "S2"], "path": ["k1", "k2"], "repeat": [1.0, None]})
    parquet.write_table(table, folder / "manifest.parquet")
    entries = list(read_manifest(folder / "manifest.parquet"))
    assert [(entry.subject, entry.repeat) for entry in entries] == [("S1", 1), ("S2", 1)]


def test_a_file_that_is_no_parquet_is_said(folder: Path) -> None:
    (folder / "manifest.parquet").write_text("subject,path")
    with pytest.raises(UsageError, match="cannot be read as Parquet"):
        list(read_manifest(folder / "manifest.parquet"))


names = st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=12).map(str.strip)


@given(st.lists(st.tuples(names.filter(bool), names, names), unique=True, max_size=5))
def test_a_written_manifest_reads_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, triples: list[tuple[str, str, str]]
) -> None:
    entries = [
        Entry(subject=subject, visit=visit, reader=reader, path=f"mem://{n}", side=Side.RIGHT)
        for n, (subject, visit, reader) in enumerate(triples)
    ]
    path = tmp_path_factory.mktemp("manifest") / "manifest.csv"
    path.write_text(manifest_csv(entries), "utf-8")
    assert list(read_manifest(path)) == entries


def test_an_entry_is_named_in_words() -> None:
    entry = Entry(subject="S1", path="", visit="2", side=Side.LEFT, reader="A", repeat=2)
    assert entry.words == "S1, visit 2, left, reader A, repeat 2"
    assert replace(entry, visit="", reader="", repeat=1).words == "S1, left"

"""A manifest is taken whole or not at all, with every problem named."""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import Manifest, manifest_csv
from meniscal_measure.cohort.table_file import as_name
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
    assert list(Manifest(path)) == [
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
    (entry,) = Manifest(written(folder, "path,subject\nk1,S1\n"))
    assert (entry.subject, entry.side, entry.repeat) == ("S1", None, 1)


def test_a_byte_order_mark_and_spreadsheet_line_ends_are_read(folder: Path) -> None:
    path = folder / "manifest.csv"
    path.write_bytes("\ufeffsubject,path\r\nS1,k1\r\n".encode())
    assert [entry.subject for entry in Manifest(path)] == ["S1"]


def test_every_problem_of_every_line_is_listed_at_once(folder: Path) -> None:
    path = written(
        folder,
        "subject,side,path,landmarks,repeat,series\n"
        ",left,k1,,,\n"
        "S2,port,k2,,0,\n"
        "S3,right,,,,x\n"
        "S5,right,k1,,,\n"
        "S5,R,k2,,1,\n"
        "S6,right,k1,,,,spare\n"
        "S7,right,k1,,,\n"
        "S8,right,k1,k1.json,,\n"
        "S9,right,k1,,,2\n"
        "S10,right,k1/../k1,,,\n",
    )
    with pytest.raises(ManifestError, match="has 9 problems; nothing was measured") as caught:
        list(Manifest(path))
    message = str(caught.value)
    for problem in (
        "line 2: no subject",
        "line 3: repeat '0' is not a whole number from 1",
        "line 3: side 'port' is neither left nor right",
        "line 4: series 'x' is not a whole number from 1",
        "line 4: no path, and no reason in column exclude",
        "line 6: the same knee, visit, reader and repeat as line 5",
        "line 7: more cells than there are columns",
        "line 8: the same images as line 5, for another subject or visit",
        "line 11: the same images as line 5, for another subject or visit",
    ):
        assert problem in message


@pytest.mark.parametrize("other", ["Ame\u0301lie", "Am\u00e9lie\u200b", "\u2066Am\u00e9lie"])
def test_names_that_look_alike_are_one_however_they_are_coded(folder: Path, other: str) -> None:
    """Source: canonical equivalence, Unicode Standard Annex #15."""
    path = written(folder, f"subject,visit,path\nAm\u00e9lie,1,k1\n{other},2,k2\n")
    assert [entry.subject for entry in Manifest(path)] == ["Am\u00e9lie", "Am\u00e9lie"]


def test_an_excluded_knee_needs_no_images(folder: Path) -> None:
    (entry,) = Manifest(written(folder, "subject,path,exclude\nS1,,claustrophobia\n"))
    assert entry.exclude == "claustrophobia"


def test_what_lies_behind_an_url_is_not_looked_for(folder: Path) -> None:
    (entry,) = Manifest(written(folder, "subject,path\nS1,s3://bucket/k1\n"))
    assert entry.path == "s3://bucket/k1"


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("subject,folder", "there is no column 'path'; perhaps 'folder' is meant to be 'path'"),
        ("", "there is no column 'subject'; there is no column 'path'"),
    ],
)
def test_columns_missing_or_misspelt_are_named(folder: Path, header: str, message: str) -> None:
    with pytest.raises(ManifestError, match=message):
        list(Manifest(written(folder, f"{header}\n")))


def test_a_missing_manifest_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        list(Manifest(tmp_path / "manifest.csv"))
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        Manifest(tmp_path / "manifest.csv").digest  # noqa: B018 - asked for first, by a run


def test_a_manifest_in_another_encoding_is_said(folder: Path) -> None:
    path = folder / "manifest.csv"
    path.write_bytes(b"subject,path\nM\xfcller,k1\n")
    with pytest.raises(UsageError, match="not a CSV table in UTF-8"):
        list(Manifest(path))


def test_parquet_holds_the_same_manifest(folder: Path) -> None:
    table = pa.table({"subject": ["S1", "S2"], "path": ["k1", "k2"], "repeat": [1.0, None]})
    parquet.write_table(table, folder / "manifest.parquet")
    entries = list(Manifest(folder / "manifest.parquet"))
    assert [(entry.subject, entry.repeat) for entry in entries] == [("S1", 1), ("S2", 1)]


def test_a_file_that_is_no_parquet_is_said(folder: Path) -> None:
    (folder / "manifest.parquet").write_text("subject,path")
    with pytest.raises(UsageError, match="cannot be read as Parquet"):
        list(Manifest(folder / "manifest.parquet"))


letters = st.characters(categories=["L", "N", "P", "Zs"])
names = st.text(letters, max_size=12).map(as_name).map(str.strip)


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
    assert list(Manifest(path)) == entries


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_other_separators_and_decimal_commas_are_read(folder: Path, separator: str) -> None:
    text = "Subject,PATH,Age,BMI\nS1,k1,61,24.5\n".replace(",", separator).replace(".", ",")
    (entry,) = Manifest(written(folder, text))
    assert (entry.subject, entry.path) == ("S1", str(folder / "k1"))
    assert entry.covariates == (("age", "61"), ("bmi", "24.5"))


def test_a_spreadsheets_unicode_text_is_read(folder: Path) -> None:
    path = folder / "manifest.csv"
    path.write_bytes("subject\tpath\tcity\nS1\tk1\tKöln\n".encode("utf-16"))
    (entry,) = Manifest(path)
    assert entry.covariates == (("city", "Köln"),)


def test_other_columns_are_kept_as_covariates_and_written_again(folder: Path) -> None:
    entries = list(Manifest(written(folder, "subject,path,age,sex\nS1,k1,61,f\nS2,k2,,m\n")))
    assert entries[1].covariates == (("age", ""), ("sex", "m"))
    again = folder / "again.csv"
    again.write_text(manifest_csv(entries), "utf-8")
    assert list(Manifest(again)) == entries


def test_a_missing_column_is_said_with_what_was_found(folder: Path) -> None:
    path = written(folder, "Patient;Folder;age\nS1;k1;50\n")
    with pytest.raises(ManifestError) as caught:
        list(Manifest(path))
    message = str(caught.value)
    assert "there is no column 'subject'; there is no column 'path'" in message
    assert "perhaps 'patient' is meant to be 'subject'" in message
    assert "perhaps 'folder' is meant to be 'path'" in message
    assert "Found, separated by semicolons: the columns patient, folder, age." in message


def test_a_repeat_of_twenty_digits_is_a_problem_and_no_crash(folder: Path) -> None:
    path = written(folder, f"subject,path,repeat\nS1,k1,{'9' * 20}\n")
    with pytest.raises(ManifestError, match="repeat '99999999999999999999' is not a whole number"):
        list(Manifest(path))


def test_a_subject_that_looks_like_a_formula_comes_back_as_it_was(folder: Path) -> None:
    entry = Entry(subject="=S1", path="mem://x", visit="'@", group="-a", reader="''+")
    path = folder / "manifest.csv"
    path.write_text(manifest_csv([entry]), "utf-8")
    assert "'=S1" in path.read_text("utf-8")
    assert list(Manifest(path)) == [entry]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("subject,path\nA,a" + "x" * 1_000_000, "longer than 1000000 characters"),
        ("subject,path" + "x" * 1_000_000, "longer than 1000000 characters"),
        ("subject,path,Path\nA,a,b", "several columns called path"),
        ("subject;path;side;side\nA;a;left;right", "several columns called side"),
    ],
    ids=["long line", "long header", "two paths", "two sides"],
)
def test_a_table_that_is_none_or_says_two_things_is_refused(
    tmp_path: Path, content: str, reason: str
) -> None:
    path = tmp_path / "manifest.csv"
    path.write_text(content)
    with pytest.raises(UsageError, match=reason):
        list(Manifest(path))


def test_a_name_of_a_column_beyond_the_limit_of_csv_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "manifest.csv"
    path.write_text("subject,path," + "x" * 200_000)
    usual = csv.field_size_limit(131_072)  # one limit a process, which other libraries may raise
    try:
        with pytest.raises(UsageError, match="field larger than field limit"):
            list(Manifest(path))
    finally:
        csv.field_size_limit(usual)

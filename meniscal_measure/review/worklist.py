"""The knees to be read: one study, a folder of studies, or a work list file."""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

from meniscal_measure.anatomy import SIDE_SPELLINGS, Side
from meniscal_measure.errors import ManifestError, MeniscalMeasureError, UsageError
from meniscal_measure.files import ordinary
from meniscal_measure.series.attributes import HEADER_ERRORS
from meniscal_measure.series.sources import Opener, files_under

COLUMNS = ("knee", "study", "side", "landmarks")
"""Columns of a work list file; side and landmarks may be left out or empty."""

PEEKED_FILES = 20
"""Files looked at in a folder or archive for the study they belong to."""


@dataclass(frozen=True)
class Knee:
    """One knee to be read: its name in the store, its images, and what is known beforehand."""

    name: str
    study: Path
    side: Side | None = None
    landmarks: Path | None = None
    series: str = ""
    """Coronal series a reader chose, as `series_key` names it; empty leaves it to the program."""


def open_worklist(path: Path) -> tuple[Knee, ...]:
    """Find the knees to be read; images are not opened yet.

    `path` is a CSV file with the columns `knee,study,side,landmarks` (paths from its own folder), a
    folder whose subfolders hold one study each, or a single study in any form.

    Raises
    ------
    UsageError
        If there is nothing at `path`.
    ManifestError
        With every line of the work list that cannot be used.
    """
    if not path.exists():
        raise UsageError(
            "There is nothing at {path:private}. Name a study, a folder or a work list.",
            path=str(path),
        )
    if path.suffix.lower() == ".csv":
        return _from_file(path)
    folders = _study_folders(path) if path.is_dir() else ()
    if folders:
        return tuple(Knee(folder.name, folder, None, _landmarks_in(folder)) for folder in folders)
    return (Knee(Path(os.path.realpath(path)).name, path, None, _landmarks_in(path)),)


def _landmarks_in(folder: Path) -> Path | None:
    beside = folder / "landmarks.json"
    return beside if beside.is_file() else None


def _study_folders(path: Path) -> tuple[Path, ...]:
    """Subfolders and archives, if they hold different studies; none if they are one study."""
    parts = sorted(
        entry for entry in path.iterdir() if entry.is_dir() or entry.suffix.lower() == ".zip"
    )
    studies: set[str] = set()
    for part in parts:
        header = first_header(part, ["StudyInstanceUID"])
        studies |= {str(header.get("StudyInstanceUID", ""))} - {""} if header else set()
        if len(studies) > 1:
            return tuple(parts)
    return ()


def first_header(part: Path, keywords: Sequence[str]) -> Dataset | None:
    """Read attributes of the first DICOM file in a folder or archive; None where there is none."""
    with suppress(MeniscalMeasureError), Opener() as opener:
        for file in files_under(part).files[:PEEKED_FILES]:
            with suppress(*HEADER_ERRORS), opener.open(file) as stream:
                return pydicom.dcmread(stream, stop_before_pixels=True, specific_tags=[*keywords])
    return None


def _from_file(path: Path) -> tuple[Knee, ...]:
    try:
        with ordinary(path).open(encoding="utf-8-sig", newline="") as stream:
            rows = csv.DictReader(stream, skipinitialspace=True, strict=True)
            header = list(rows.fieldnames or ())
            known = {"knee", "study"} <= set(header) <= set(COLUMNS)
            if not known or len(set(header)) < len(header):
                raise ManifestError(
                    "{path:private}: the first line must name the columns {columns}, each once;"
                    " side and landmarks may be left out.",
                    path=str(path),
                    columns=",".join(COLUMNS),
                )
            lines = list(enumerate(rows, start=2))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ManifestError(
            "Cannot read the work list {path:private}: {reason:private}.",
            path=str(path),
            reason=str(error),
        ) from error
    problems = [*_problems(lines)]
    if problems or not lines:
        raise ManifestError(
            "{path:private}: {problems:private}.",
            path=str(path),
            problems="; ".join(problems) or "it lists no knee",
        )
    return tuple(_knee(row, path.parent) for _, row in lines)


def _problems(lines: list[tuple[int, dict[str, str]]]) -> Iterator[str]:
    names = Counter(_cell(row, "knee") for _, row in lines)
    for number, row in lines:
        name = _cell(row, "knee")
        if None in row or not name or not _cell(row, "study"):
            yield f"line {number} must name a knee and a study and have no further column"
        elif names[name] > 1:
            yield f"line {number}: knee {name!r} is listed more than once"
        elif _cell(row, "side").lower() not in SIDE_SPELLINGS:
            yield f"line {number}: side {_cell(row, 'side')!r} must be left, right or empty"


def _knee(row: Mapping[str, str], folder: Path) -> Knee:
    landmarks = _cell(row, "landmarks")
    return Knee(
        _cell(row, "knee"),
        folder / _cell(row, "study"),
        SIDE_SPELLINGS[_cell(row, "side").lower()],
        folder / landmarks if landmarks else None,
    )


def _cell(row: Mapping[str, str], column: str) -> str:
    return (row.get(column) or "").strip()

"""The record of a case: everything the sheet shows, as JSON with a version."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.knee.candidate import CandidateLine
from meniscal_measure.knee.quantity import CasePart, Visit
from meniscal_measure.knee.questions import OpenQuestion
from meniscal_measure.knee.root_signs import SignLine

CASE_VERSION = 1


@dataclass(frozen=True)
class CaseStudy:
    """One examination of the case."""

    visit: Visit
    study_instance_uid: str
    study_date: str
    """Study Date, YYYYMMDD; empty where the images do not say."""
    series: tuple[str, ...]
    """The stacks that were used, in words."""


@dataclass(frozen=True)
class KneeCase:
    """A case as it is kept and shown."""

    case_version: int
    software: str
    made_at: str
    """UTC, ISO 8601."""
    side: str
    side_source: str
    root: str
    studies: tuple[CaseStudy, ...]
    parts: tuple[CasePart, ...]
    signs: tuple[SignLine, ...]
    candidate: tuple[CandidateLine, ...]
    questions: tuple[OpenQuestion, ...]
    gaps: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    notice: str


def case_to_json(case: KneeCase) -> str:
    """Write a case as JSON."""
    return json.dumps(msgspec.to_builtins(case), indent=1, ensure_ascii=False, allow_nan=False)


def case_from_json(text: str, file: Path) -> KneeCase:
    """Read a case.

    Raises
    ------
    UnreadableFileError
        If it is no case, or one of another version.
    """
    try:
        return msgspec.json.decode(text, type=KneeCase)
    except msgspec.MsgspecError as error:
        raise UnreadableFileError(
            "{file:private} is no case of this version: {why:private}. Make it again from the"
            " study and the answers.",
            file=str(file),
            why=str(error),
        ) from error


def case_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a case."""
    return msgspec.json.schema(KneeCase)

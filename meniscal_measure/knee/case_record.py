"""The record of a case: everything the sheet shows, as JSON with a version."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.knee.candidate import CandidateLine
from meniscal_measure.knee.pairing import dicom_date
from meniscal_measure.knee.quantity import CasePart, Visit
from meniscal_measure.knee.questions import OfferedTopic, OpenQuestion
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

    @property
    def day(self) -> str:
        """The study date as ISO 8601 writes it, or as it stands where it is no date.

        Examples
        --------
        >>> CaseStudy(Visit.BASELINE, "1.2.3", "20260110", ()).day
        '2026-01-10'
        """
        return str(dicom_date(self.study_date) or self.study_date)


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
    offered: tuple[OfferedTopic, ...] = ()
    """What is not asked unless requested."""


IDENTIFYING = ("study_instance_uid", "sop_instance_uid", "study_date", "by")
"""Fields of a case that may say who the patient or the reader is."""

DATED = "Time line"
"""Title of the part that consists of dates."""


def without_identifiers(case: KneeCase) -> KneeCase:
    """Return the case without UIDs, dates and the names of readers.

    The words on series are made without what a person wrote, see `VisitImages.record`. Time between
    the examinations stays.
    """
    undated = CasePart(DATED, gaps=("Dates are left out with the identifiers.",))
    parts = tuple(undated if part.title == DATED else part for part in case.parts)
    return msgspec.convert(_blanked(msgspec.to_builtins(replace(case, parts=parts))), KneeCase)


def _blanked(content: Any) -> Any:
    if isinstance(content, dict):
        return {
            name: "" if name in IDENTIFYING else _blanked(value) for name, value in content.items()
        }
    return [_blanked(value) for value in content] if isinstance(content, list | tuple) else content


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

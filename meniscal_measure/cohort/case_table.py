"""The numbers and signs of knee cases as one long table, beside the readings of the same knees.

A case names its examinations by Study Instance UID. The readings of the store say whose they are,
at which visit and in which group, so that a case needs no manifest of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from meniscal_measure.cohort.columns import Field
from meniscal_measure.cohort.entry import StudyOwner
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import ExportTable
from meniscal_measure.errors import UsageError
from meniscal_measure.files import read_bytes
from meniscal_measure.knee.case_record import CaseStudy, KneeCase, case_from_json
from meniscal_measure.knee.quantity import TracedQuantity, Visit

CASE_FILE = "case.json"

LARGEST_CASE_BYTES = 20_000_000
"""Largest case that is read. One of two visits is about 100 kB."""

CASE_FIELDS = (
    Field("subject", "TEXT", "", "pseudonym of the person, from the readings of the same study"),
    Field("visit", "TEXT", "", "visit whose images the row rests on; two with 'to' between them;"
          " empty where it was entered"),
    Field("side", "TEXT", "", "left or right"),
    Field("group", "TEXT", "", "group, from the readings of the same study"),
    Field("root", "TEXT", "", "root that the case is about"),
    Field("part", "TEXT", "", "part of the case"),
    Field("quantity", "TEXT", "", "what was measured, or the sign that was looked for"),
    Field("value", "REAL", "as in column unit", "value; empty for a sign"),
    Field("unit", "TEXT", "UCUM", "unit of value and u; 1 for a ratio"),
    Field("u", "REAL", "as in column unit", "standard uncertainty; empty where not evaluated"),
    Field("seen", "TEXT", "", "what the reader says of a sign; empty for a number"),
    Field("basis", "TEXT", "", "what it rests on: pixels, reader (placed landmarks), proposed (not"
          " verified), published, entered"),
    Field("slices", "TEXT", "", "slices it was read from, by Instance Number"),
    Field("source", "TEXT", "", "formula, convention or citation; for a sign, who answered"),
    Field("study_instance_uid", "TEXT", "", "Study Instance UID (0020,000D) of the visit, or two"),
    Field("sop_instance_uids", "TEXT", "", "SOP Instance UIDs (0008,0018) of the slices"),
    Field("software", "TEXT", "", "program that made the case"),
    Field("made_at", "TEXT", "UTC, ISO 8601", "when the case was made"),
)  # fmt: skip
"""Every column of the table."""

CASE_IDENTIFYING = frozenset({"study_instance_uid", "sop_instance_uids"})
"""Columns that an export without identifiers leaves out."""


def case_files(places: Iterable[Path]) -> list[Path]:
    """List the records of cases named by file, or lying in a folder at any depth.

    Raises
    ------
    UsageError
        If a place holds none.
    """
    found: list[Path] = []
    for place in places:
        here = [place] if place.is_file() else sorted(place.rglob(CASE_FILE))
        if not here:
            raise UsageError(
                "There is no {name} in {place:private}. Name a folder that `case` has written.",
                name=CASE_FILE,
                place=str(place),
            )
        found += here
    return found


def add_cases(store: Store, paths: Iterable[Path]) -> tuple[int, list[Path]]:
    """Put cases of measured studies into the store; the newest of a knee and root counts.

    Returns
    -------
    tuple
        How many were added, and those of which no study belongs to a reading of the store.

    Raises
    ------
    UnreadableFileError
        If a file is not a case of this version.
    """
    known = store.examinations()
    added, unknown = 0, []
    for path in paths:
        content = read_bytes(path, "Name the record of a case.", limit=LARGEST_CASE_BYTES)
        case = case_from_json(content.decode("utf-8", "replace"), path)
        if _owner(case, known) is None:
            unknown.append(path)
        else:
            studies = [study.study_instance_uid for study in case.studies]
            store.add_case(" ".join([*studies, case.side, case.root]), case.made_at, content)
            added += 1
    return added, unknown


def _owner(case: KneeCase, known: dict[tuple[str, str], StudyOwner | None]) -> StudyOwner | None:
    """Find whose case it is; None where no study is in the store, or they are of two subjects."""
    found = [known.get((study.study_instance_uid, case.side)) for study in case.studies]
    owners = {one.subject: one for one in reversed(found) if one is not None}
    return next(iter(owners.values())) if len(owners) == 1 else None


def case_table(*, identifiers: bool = True) -> ExportTable:
    """Lay out the newest case of each knee and root, a row a number; no UID without identifiers.

    Examples
    --------
    >>> [field.name for field in case_table(identifiers=False).fields][-3:]
    ['source', 'software', 'made_at']
    """
    fields = [one for one in CASE_FIELDS if identifiers or one.name not in CASE_IDENTIFYING]
    return ExportTable(
        "quantities",
        "Numbers and signs of knee cases",
        ("subject", "visit", "side", "root", "part", "quantity"),
        tuple(fields),
        partial(_rows, [field.name for field in fields]),
    )


def _rows(names: list[str], store: Store) -> Iterator[tuple[Any, ...]]:
    known = store.examinations()
    for content in store.cases():
        case = case_from_json(content.decode("utf-8"), store.path)
        owner = _owner(case, known)
        if owner is not None:
            for row in _case_rows(case, owner, known):
                yield tuple(map(row.get, names))


def _case_rows(
    case: KneeCase, owner: StudyOwner, known: dict[tuple[str, str], StudyOwner | None]
) -> Iterator[dict[str, Any]]:
    head = {
        "subject": owner.subject,
        "side": case.side,
        "group": owner.group,
        "root": case.root,
        "software": case.software,
        "made_at": case.made_at,
    }
    studies = {study.visit: study for study in case.studies}

    def visit_name(study: CaseStudy) -> str:
        found = known.get((study.study_instance_uid, case.side))
        return study.visit.words if found is None else found.visit or study.visit.words

    def of_visits(visits: set[Visit]) -> dict[str, str]:
        there = [studies[visit] for visit in Visit if visit in visits and visit in studies]
        return {
            "visit": " to ".join(map(visit_name, there)),
            "study_instance_uid": " ".join(study.study_instance_uid for study in there),
        }

    for part in case.parts:
        for found in part.quantities:
            visits = {place.visit for place in found.where}
            yield head | of_visits(visits) | {"part": part.title} | _quantity(found)
    for sign in case.signs:
        yield (
            head
            | of_visits({Visit.BASELINE})
            | {"part": "Signs", "quantity": sign.sign.value, "seen": sign.seen, "source": sign.by}
        )


def _quantity(found: TracedQuantity) -> dict[str, Any]:
    return {
        "quantity": found.name,
        "value": found.value,
        "unit": found.unit,
        "u": found.u,
        "basis": found.basis.value,
        "slices": found.places if found.where else "",
        "source": found.source,
        "sop_instance_uids": " ".join(dict.fromkeys(one.sop_instance_uid for one in found.where)),
    }

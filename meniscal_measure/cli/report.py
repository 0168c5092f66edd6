"""`report`: the figure, table and PDF of a stored reading, made again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.cli.common import AsJson, StudyPath, progress_bar, reported
from meniscal_measure.cli.measure import OutFolder, WithoutIdentifiers, show_saved
from meniscal_measure.errors import UsageError

if TYPE_CHECKING:
    from meniscal_measure.series.model import Study

SQLITE_HEADER = b"SQLite format 3\0"
"""With what the file of the review page begins (SQLite documentation, "Database File Format")."""


def report(
    record: Annotated[
        Path,
        typer.Argument(
            metavar="READING",
            help="A reading.json that measure wrote, or the file in which the review page keeps"
            " what was signed.",
        ),
    ],
    study: StudyPath,
    out: OutFolder,
    verified_by: Annotated[
        str | None,
        typer.Option(
            "--verified-by",
            help="Name of the reader who has looked at the figure and confirms every landmark.",
            show_default=False,
        ),
    ] = None,
    without_identifiers: WithoutIdentifiers = False,
    as_json: AsJson = False,
) -> None:
    """Make the figure, table and PDF of a stored reading again, or confirm it as a reader."""
    with reported(as_json=as_json):
        from meniscal_measure import workflow
        from meniscal_measure.records.signing import check_reader, signed_by

        if verified_by is not None:
            check_reader(verified_by)
        stored = None if _is_store(record) else _stored(record)
        with progress_bar("Reading headers", shown=not as_json) as progress:
            found = workflow.read(study, progress=progress)
        knee = workflow.reopen(stored or _signed(record, found), found)
        if verified_by is not None:
            knee = replace(knee, reading=signed_by(knee.reading, verified_by))
        saved = knee.save(out, identifiers=not without_identifiers)
        show_saved(saved, as_json=as_json)


def _is_store(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_HEADER)) == SQLITE_HEADER
    except OSError:
        return False


def _signed(path: Path, study: Study) -> dict[str, object]:
    """Find what was signed on the images of a study; the newest, where it was signed again."""
    from meniscal_measure.records.journal import Journal
    from meniscal_measure.records.signed_store import SignedStore

    journal = Journal(SignedStore(path, {}))
    journal.check()
    images = {frame.sop_instance_uid for stack in study.stacks for frame in stack.frames}
    newest = {one.key: one for one in journal.all()}
    readings = [one.record["reading"] for one in newest.values()]
    found = [one for one in readings if one and one["source"]["sop_instance_uid"] in images]
    if len(found) != 1:
        raise UsageError(
            f"{path} holds {len(found)} readings signed on images of {study.path}, not one. Give"
            " the study of a signed reading; where several were signed, collect them"
            " (cohort collect)."
        )
    return dict(found[0])


def _stored(path: Path) -> dict[str, object]:
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read: {error.strerror}. Give a reading.json that measure wrote."
        ) from error
    except ValueError as error:  # neither text nor JSON
        raise UsageError(
            f"{path} is not a reading; give a reading.json that measure wrote."
        ) from error
    if not isinstance(stored, dict):
        raise UsageError(f"{path} is not a reading; give a reading.json that measure wrote.")
    return stored

"""`report`: the figure, table and PDF of a stored reading, made again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.cli.common import AsJson, StudyPath, progress_bar, reported
from meniscal_measure.cli.measure import Force, OutFolder, WithoutIdentifiers, show_saved
from meniscal_measure.errors import UsageError

if TYPE_CHECKING:
    from meniscal_measure.caliper.reading import Reading
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
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Make the figure, table and PDF of a stored reading again, or confirm it as a reader."""
    with reported(as_json=as_json):
        from meniscal_measure import workflow
        from meniscal_measure.records.codec import read_reading
        from meniscal_measure.records.signing import check_reader, signed_by

        if verified_by is not None:
            check_reader(verified_by)
        stored = None if _is_store(record) else read_reading(record)
        with progress_bar("Reading headers", shown=not as_json) as progress:
            found = workflow.read(study, progress=progress)
        knee = workflow.reopen(stored or _signed(record, found), found)
        if verified_by is not None:
            knee = replace(knee, reading=signed_by(knee.reading, verified_by))
        saved = knee.save(out, identifiers=not without_identifiers, force=force)
        show_saved(saved, as_json=as_json)


def _is_store(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_HEADER)) == SQLITE_HEADER
    except OSError:
        return False


def _signed(path: Path, study: Study) -> Reading:
    """Find what was signed on the images of a study; the newest, where it was signed again."""
    from meniscal_measure.records.signed_readings import signed_readings

    images = {frame.sop_instance_uid for stack in study.stacks for frame in stack.frames}
    newest = {(one.reader, one.knee, one.round): one.reading for one in signed_readings(path)}
    found = [one for one in newest.values() if one and one.source.sop_instance_uid in images]
    if len(found) != 1:
        raise UsageError(
            "{store:private} holds {count} readings signed on images of {study:private}, not one."
            " Give the study of a signed reading; where several were signed, collect them (cohort"
            " collect).",
            store=str(path),
            count=len(found),
            study=str(study.path),
        )
    return found[0]

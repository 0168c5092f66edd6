"""`report`: the figure, table and PDF of a stored reading, made again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.cli.common import AsJson, OutFolder, StudyPath, progress_bar, reported
from meniscal_measure.cli.measure import Force, WithoutIdentifiers, show_saved
from meniscal_measure.errors import UsageError
from meniscal_measure.files import ordinary

if TYPE_CHECKING:
    from collections.abc import Sequence

    from meniscal_measure.caliper.reading import Reading
    from meniscal_measure.records.signed_readings import SignedReading
    from meniscal_measure.series.model import Study

SQLITE_HEADER = b"SQLite format 3\0"
"""First bytes of the review page's file (SQLite documentation, "Database File Format")."""


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
            help="Name of the reader who has looked at the figure and confirms every landmark."
        ),
    ] = None,
    reader: Annotated[
        str | None,
        typer.Option(
            help="Whose signed reading to report, where several readers signed the study."
        ),
    ] = None,
    without_identifiers: WithoutIdentifiers = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Make the figure, table and PDF of a stored reading again, or confirm it as a reader."""
    with reported(as_json=as_json):
        from meniscal_measure import workflow
        from meniscal_measure.records.reading_file import read_reading
        from meniscal_measure.records.signatures import check_reader, signed_by

        if verified_by is not None:
            check_reader(verified_by)
        if reader is not None and not _is_store(record):
            raise UsageError("--reader chooses among signed readings; READING holds one only.")
        stored = None if _is_store(record) else read_reading(record)
        with progress_bar("Reading headers", shown=not as_json) as progress:
            found = workflow.read(study, progress=progress)
        knee = workflow.reopen(stored or _signed(record, found, reader), found)
        if verified_by is not None:
            knee = replace(knee, reading=signed_by(knee.reading, verified_by))
        saved = knee.save(out, identifiers=not without_identifiers, force=force)
        show_saved(saved, as_json=as_json)


def _is_store(path: Path) -> bool:
    try:
        with ordinary(path).open("rb") as file:
            return file.read(len(SQLITE_HEADER)) == SQLITE_HEADER
    except OSError:
        return False


def _signed(path: Path, study: Study, reader: str | None) -> Reading:
    """Find the one reading that was signed on the images of a study.

    Raises
    ------
    UsageError
        If there is none, with the rejection if there was one, or if there are several.
    """
    from meniscal_measure.records.signed_readings import signed_readings

    images = {frame.sop_instance_uid for stack in study.stacks for frame in stack.frames}
    series = {stack.identity.series_instance_uid for stack in study.stacks}
    readings, rejections = [], []
    for signed in signed_readings(path):
        if reader is not None and signed.reader != reader:
            continue
        if signed.reading is None:
            if signed.series.partition(" ")[0] in series:  # its key begins with the series' UID
                rejections.append(signed)
        elif signed.reading.source.sop_instance_uid in images:
            readings.append(signed)
    if len(readings) == 1 and readings[0].reading is not None:
        return readings[0].reading
    if not readings:
        raise _nothing_signed(path, study, rejections)
    names = ", ".join(sorted({one.reader for one in readings}))
    raise UsageError(
        "{store:private} holds {count} readings signed on images of {study:private}, by"
        " {readers:private}. Name one reader (--reader NAME); the repeated readings of one reader"
        " are collected by cohort collect.",
        store=str(path),
        count=len(readings),
        study=str(study.path),
        readers=names,
    )


def _nothing_signed(path: Path, study: Study, rejections: Sequence[SignedReading]) -> UsageError:
    if rejections:
        return UsageError(
            "This knee was rejected by {reader:private} in {store:private} ({reason:private});"
            " there is no reading to report. Withdraw the rejection on the review page to read"
            " it after all.",
            reader=rejections[-1].reader,
            store=str(path),
            reason=rejections[-1].rejection,
        )
    return UsageError(
        "Nothing in {store:private} was signed on images of {study:private}. Give the study of a"
        " signed reading.",
        store=str(path),
        study=str(study.path),
    )

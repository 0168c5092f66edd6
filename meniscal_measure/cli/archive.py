"""`archive`: fetch from an imaging archive, store results there, de-identify images."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.cli.common import (
    AsJson,
    KneeSide,
    OutFolder,
    StoredRecord,
    StudyPath,
    check_packages,
    progress_bar,
    reported,
    say,
)
from meniscal_measure.cli.measure import show_saved
from meniscal_measure.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from meniscal_measure.exchange.case_objects import SavedCase
    from meniscal_measure.exchange.peer import Outcome, Peer

app = typer.Typer(
    no_args_is_help=True,
    help="Fetch from an imaging archive, store results there, de-identify images.",
)

PACKAGES = ("highdicom", "pynetdicom", "dicomweb_client", "dicomanonymizer", "tenacity")

Address = Annotated[
    str,
    typer.Option(
        "--archive",
        metavar="ADDRESS",
        help="dicom://TITLE@HOST:PORT, or the https:// address of DICOMweb services.",
    ),
]
CallingTitle = Annotated[
    str, typer.Option("--calling-title", help="Our application entity title, for dicom://.")
]
Timeout = Annotated[float, typer.Option("--timeout", help="Longest wait for an answer, s.", min=1)]
Certificates = Annotated[
    Path | None,
    typer.Option("--certificates", help="PEM file of the certificates to trust; turns TLS on."),
]
UidRoot = Annotated[
    str, typer.Option("--uid-root", help="Root of new UIDs, as registered to your organisation.")
]
FollowUp = Annotated[
    Path | None, typer.Option("--follow-up", help="The later study of a case that has one.")
]
Organization = Annotated[
    str | None,
    typer.Option(
        "--organization", help="Of the reader; without it no report is marked as verified."
    ),
]


@app.command("measure")
def measure(
    archive: Address,
    out: OutFolder,
    patient_id: Annotated[str, typer.Option(help="Patient ID.")] = "",
    study_date: Annotated[str, typer.Option(help="YYYYMMDD, or a range YYYYMMDD-YYYYMMDD.")] = "",
    accession_number: Annotated[str, typer.Option(help="Accession Number.")] = "",
    study_uid: Annotated[str, typer.Option(help="Study Instance UID.")] = "",
    side: KneeSide = None,
    landmarks: Annotated[Path | None, typer.Option(help="Landmark file; else proposed.")] = None,
    send: Annotated[
        bool, typer.Option("--send", help="Store the results in the archive as well.")
    ] = False,
    calling_title: CallingTitle = "MENISCAL",
    timeout: Timeout = 30.0,
    certificates: Certificates = None,
    uid_root: UidRoot = "2.25",
    organization: Organization = None,
    as_json: AsJson = False,
) -> None:
    """Find a knee in the archive, fetch its coronal series, measure it; with --send store results.

    Run it again after an interruption: what has arrived is not fetched or sent again.
    """
    with reported(as_json=as_json):
        check_packages(PACKAGES, "archive")
        from meniscal_measure import workflow
        from meniscal_measure.exchange.addresses import archive_at
        from meniscal_measure.exchange.delivery import deliver
        from meniscal_measure.exchange.identity import Archived
        from meniscal_measure.exchange.peer import Query
        from meniscal_measure.exchange.transfer import check_fetched, fetch_coronal

        query = Query(patient_id, study_date, accession_number, study_uid)
        if query == Query():
            raise UsageError("Name the study: --patient-id, --accession-number or --study-uid.")
        peer = archive_at(archive, calling_title, timeout, certificates)
        fetched = fetch_coronal(peer, query, out)
        _show_failures(fetched.missing, "Not fetched")
        study = workflow.read(fetched.folder)
        check_fetched(study, fetched.series)
        knee = workflow.measure(study, landmarks=landmarks, side=side)
        saved = knee.save(out)
        show_saved(saved, as_json=as_json)
        failed = fetched.missing
        if send:
            sent = deliver(saved, knee.stack, peer, Archived(uid_root, organization), out)
            failed += _show_stored(sent, peer)
        if failed:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


@app.command("send")
def send(
    record: StoredRecord,
    study: StudyPath,
    archive: Address,
    out: OutFolder,
    calling_title: CallingTitle = "MENISCAL",
    timeout: Timeout = 30.0,
    certificates: Certificates = None,
    uid_root: UidRoot = "2.25",
    organization: Organization = None,
    follow_up: FollowUp = None,
) -> None:
    """Store a reading in the archive: measurements, calipers on the slices, figure and report.

    Of a case its measurements and its sheet are stored. A report that the archive already holds of
    the same series is named as the one replaced.
    """
    with reported(as_json=False):
        check_packages(PACKAGES, "archive")
        from meniscal_measure import workflow
        from meniscal_measure.exchange.addresses import archive_at
        from meniscal_measure.exchange.case_objects import deliver_case, is_case
        from meniscal_measure.exchange.delivery import deliver
        from meniscal_measure.exchange.identity import Archived
        from meniscal_measure.records.reading_file import read_reading

        peer = archive_at(archive, calling_title, timeout, certificates)
        archived = Archived(uid_root, organization)
        if is_case(record):
            sent = deliver_case(_saved_case(record, study, follow_up), peer, archived, out)
        else:
            knee = workflow.reopen(read_reading(record), workflow.read(study))
            sent = deliver(knee.save(out), knee.stack, peer, archived, out)
        if _show_stored(sent, peer):
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


@app.command("objects")
def objects(
    record: StoredRecord,
    study: StudyPath,
    out: OutFolder,
    uid_root: UidRoot = "2.25",
    organization: Organization = None,
    follow_up: FollowUp = None,
) -> None:
    """Write the same objects as files, for an archive that is not reached from here."""
    with reported(as_json=False):
        check_packages(PACKAGES, "archive")
        from meniscal_measure import workflow
        from meniscal_measure.exchange.case_objects import case_objects, is_case
        from meniscal_measure.exchange.identity import Archived
        from meniscal_measure.exchange.results import result_objects
        from meniscal_measure.records.reading_file import read_reading

        archived = Archived(uid_root, organization)
        if is_case(record):
            made = case_objects(_saved_case(record, study, follow_up), archived)
        else:
            knee = workflow.reopen(read_reading(record), workflow.read(study))
            made = result_objects(knee.save(out), knee.stack, archived)
        for path in made.write(out):
            say(f"Written: {path}")


@app.command("deidentify")
def deidentify(
    study: StudyPath,
    out: OutFolder,
    key_file: Annotated[
        Path,
        typer.Option(
            help="File with the secret of the cohort: the same key gives the same pseudonyms."
        ),
    ],
    keep_characteristics: Annotated[
        bool, typer.Option("--keep-characteristics", help="Keep sex, age, size and weight.")
    ] = False,
) -> None:
    """De-identify the MR images of a study (DICOM PS3.15 Annex E)."""
    with reported(as_json=False):
        check_packages(PACKAGES, "archive")
        from meniscal_measure.exchange.study_without_patient import deidentify_study, read_key

        pseudonyms = read_key(key_file)
        with progress_bar("De-identifying", shown=True) as progress:
            done = deidentify_study(
                study, out, pseudonyms, keep_characteristics=keep_characteristics, progress=progress
            )
        say(f"{done.written} images written to {out}")
        for warning, count in done.warnings.items():
            say(f"{count} images: {warning}", err=True)
        for refusal in done.refusals:
            say(f"Refused {refusal.file}: {refusal.reason}", err=True)
        if done.refusals:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


def _saved_case(record: Path, baseline: Path, follow_up: Path | None) -> SavedCase:
    from meniscal_measure import workflow
    from meniscal_measure.exchange.case_objects import saved_case

    studies = [baseline] if follow_up is None else [baseline, follow_up]
    return saved_case(record, [workflow.read(study) for study in studies])


def _show_stored(sent: tuple[Outcome, ...], peer: Peer) -> tuple[Outcome, ...]:
    """Say what was stored; return what did not arrive."""
    failed = tuple(one for one in sent if not one.arrived)
    _show_failures(failed, "Not stored")
    say(f"{len(sent) - len(failed)} of {len(sent)} objects are in {peer.name}", err=True)
    return failed


def _show_failures(failed: tuple[Outcome, ...], what: str) -> None:
    for one in failed:
        say(f"{what}: {one.sop_instance_uid}: {one.reason}", err=True)

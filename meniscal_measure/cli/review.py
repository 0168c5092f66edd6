"""`review`: a local page on which a reader verifies the measurement and signs it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from meniscal_measure.caliper.reading import AxisConvention, Conventions, ThresholdRule
from meniscal_measure.cli.archive import (
    PACKAGES,
    CallingTitle,
    Certificates,
    Organization,
    Timeout,
    UidRoot,
)
from meniscal_measure.cli.common import Axis, ExactlyThreshold, check_packages, reported
from meniscal_measure.cli.pages import NoBrowser, serve_page
from meniscal_measure.errors import UsageError


def review(
    path: Annotated[
        Path,
        typer.Argument(
            metavar="STUDY",
            help="One study, a folder of studies, or a work list (CSV: knee,study,side,landmarks).",
        ),
    ],
    store: Annotated[
        Path, typer.Option(help="File in which signed readings and unfinished work are saved.")
    ] = Path("readings.sqlite"),
    reader: Annotated[
        str, typer.Option(help="Name or pseudonym you sign with; the page asks otherwise.")
    ] = "",
    axis: Axis = AxisConvention.RIM_TO_RIM,
    threshold_rule: ExactlyThreshold = ThresholdRule.ABOVE,
    blinded: Annotated[
        bool,
        typer.Option(
            "--blinded",
            help="For studies: random order, no identity of the patient, nothing proposed.",
        ),
    ] = False,
    seed: Annotated[int, typer.Option(help="Seed of the random order of a blinded study.")] = 1,
    keep_order: Annotated[
        bool, typer.Option("--keep-order", help="Blinded, but in the order of the work list.")
    ] = False,
    repeats: Annotated[
        int,
        typer.Option(help="Knees of a blinded study shown a second time without notice.", min=0),
    ] = 0,
    hide_mm: Annotated[
        bool | None,
        typer.Option(
            "--hide-millimetres/--show-millimetres",
            help="Show millimetres only once a reading is signed; hidden if blinded.",
        ),
    ] = None,
    send_to: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Archive in which what is signed is stored: dicom://TITLE@HOST:PORT, or the"
            " https:// address of DICOMweb services.",
        ),
    ] = "",
    calling_title: CallingTitle = "MENISCAL",
    timeout: Timeout = 30.0,
    certificates: Certificates = None,
    uid_root: UidRoot = "2.25",
    organization: Organization = None,
    port: Annotated[
        int, typer.Option(help="Port on this machine; by default the store's own.", min=0)
    ] = 0,
    no_browser: NoBrowser = False,
) -> None:
    """Confirm or correct the landmarks of knees on a local page, and sign the readings.

    The page is served to this machine only; nothing leaves it but for what --send-to names.
    """
    with reported(as_json=False):
        _check_order(blinded=blinded, keep_order=keep_order, repeats=repeats)
        check_packages(("starlette", "uvicorn"), "web")
        from meniscal_measure.review.desk import Desk
        from meniscal_measure.review.reading_plan import Blinding
        from meniscal_measure.review.routes import application
        from meniscal_measure.review.serve import PageServer, usual_port
        from meniscal_measure.review.signed_content import Terms
        from meniscal_measure.review.worklist import open_worklist
        from meniscal_measure.workflow.placing import proposed

        terms = Terms(
            Conventions(axis=axis, threshold_rule=threshold_rule),
            Blinding(None if keep_order else seed, repeats) if blinded else None,
            hides_mm=blinded if hide_mm is None else hide_mm,
        )
        destination = None
        if send_to:
            check_packages(PACKAGES, "archive")
            from meniscal_measure.exchange.addresses import archive_at
            from meniscal_measure.exchange.identity import Archived
            from meniscal_measure.review.sending import Destination

            peer = archive_at(send_to, calling_title, timeout, certificates)
            destination = Destination(peer, Archived(uid_root, organization))
        desk = Desk(open_worklist(path), store, terms, propose=proposed, destination=destination)
        desk.prepare_first()
        server = PageServer(application(desk), port=port, usual_port=usual_port(store))
        words = f"Stop with Ctrl-C; everything is saved in {store}."
        serve_page(server, reader, words, no_browser=no_browser)


def _check_order(*, blinded: bool, keep_order: bool, repeats: int) -> None:
    if blinded:
        return
    if repeats:
        raise UsageError("Repeats are hidden in a blinded study only; add --blinded.")
    if keep_order:
        raise UsageError("Without --blinded the order is kept anyway; leave --keep-order out.")

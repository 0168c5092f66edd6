"""`measure`: from a study to a reading, its figure, table and PDF."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.caliper.reading import (
    THRESHOLD_MM,
    AxisConvention,
    Conventions,
    ThresholdRule,
)
from meniscal_measure.cli.common import (
    AsJson,
    Axis,
    ExactlyThreshold,
    KneeSide,
    OutFolder,
    RefineEdges,
    StudyPath,
    ThresholdMm,
    print_json,
    progress_bar,
    reported,
    safe_console,
    say,
)
from meniscal_measure.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from meniscal_measure.report.save import SavedFiles

WithoutIdentifiers = Annotated[
    bool, typer.Option("--without-identifiers", help="Leave out every identifier of the patient.")
]
Force = Annotated[
    bool,
    typer.Option(
        "--force",
        help="Replace a verified reading by an unverified one; the old files are kept beside it.",
    ),
]


def measure(
    study: StudyPath,
    out: OutFolder,
    landmarks: Annotated[
        Path | None,
        typer.Option(
            help="Landmark file (JSON or CSV) placed on the mid-coronal slice; without one the"
            " program proposes the slice and the landmarks."
        ),
    ] = None,
    side: KneeSide = None,
    series: Annotated[
        int | None, typer.Option(help="Number of the series to measure, as listed by contents.")
    ] = None,
    on_slice: Annotated[
        str | None,
        typer.Option(
            "--slice",
            metavar="SLICE",
            help="Slice to propose landmarks on: 17 is the 17th from the front, instance:7 the"
            " image with Instance Number 7; or give a SOP Instance UID.",
        ),
    ] = None,
    axis: Axis = AxisConvention.RIM_TO_RIM,
    threshold_rule: ExactlyThreshold = ThresholdRule.ABOVE,
    threshold_mm: ThresholdMm = THRESHOLD_MM,
    refine_edges: RefineEdges = False,
    place: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=COLUMN,ROW",
            help="Place one landmark of the measured slice yourself, e.g. medial_rim=175.1,124.1;"
            " may be given several times.",
        ),
    ] = None,
    without_identifiers: WithoutIdentifiers = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Measure meniscal extrusion on a knee MRI and write figure, table and PDF.

    A measurement aid, not a diagnosis: look at the figure before you use a number.
    """
    with reported(as_json=as_json):
        from meniscal_measure import workflow

        with progress_bar("Reading headers", shown=not as_json) as progress:
            found = workflow.read(study, progress=progress)
        reading = workflow.measure(
            found,
            landmarks=landmarks,
            side=side,
            series=series,
            conventions=Conventions(axis, threshold_rule, threshold_mm),
            refine_edges=refine_edges,
            place=_placed_by_hand(place or []),
            on_slice=on_slice,
        )
        saved = reading.save(out, identifiers=not without_identifiers, force=force)
        show_saved(saved, as_json=as_json)
        for refusal in found.refusals:
            say(f"Refused {refusal.file}: {refusal.reason}", err=True)
        if found.refusals:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


def _placed_by_hand(texts: list[str]) -> dict[str, tuple[float, float]]:
    placed = {}
    for text in texts:
        name, _, pixel = text.partition("=")
        try:
            column, row = (float(number) for number in pixel.split(","))
            if not (math.isfinite(column) and math.isfinite(row)):
                raise ValueError(pixel)
        except ValueError as error:
            raise UsageError(
                "--place {text:private}: write NAME=COLUMN,ROW, for example"
                " medial_rim=175.1,124.1.",
                text=text,
            ) from error
        placed[name] = (column, row)
    return placed


def show_saved(saved: SavedFiles, *, as_json: bool) -> None:
    """Print a reading as it was saved, and where."""
    from meniscal_measure.records.codec import reading_to_dict
    from meniscal_measure.report.table import reading_table

    if as_json:
        print_json(reading_to_dict(saved.contents))
        return
    console = safe_console()
    console.print(reading_table(saved.contents))
    console.print(
        f"Written to {saved.report.parent}: report.pdf, figure.png and more", markup=False
    )

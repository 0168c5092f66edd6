"""`cohort`: many knees measured, exported, compared and reported."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import (
    THRESHOLD_MM,
    AxisConvention,
    Conventions,
    ThresholdRule,
)
from meniscal_measure.cli.cohort_options import STORE, ManifestPath, StorePath
from meniscal_measure.cli.cohort_progress import cohort_progress, say_end
from meniscal_measure.cli.common import (
    AsJson,
    Axis,
    ExactlyThreshold,
    OutFolder,
    RefineEdges,
    ThresholdMm,
    progress_bar,
    reported,
    say,
)
from meniscal_measure.cli.reader_study import add_commands
from meniscal_measure.errors import ExitCode

if TYPE_CHECKING:
    from meniscal_measure.cohort.run import CarryOut

app = typer.Typer(help="Measure, export, compare and report many knees.", no_args_is_help=True)


@app.command()
def propose(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Folder whose subfolders or zip archives hold one examination each.",
        ),
    ],
    out: Annotated[Path, typer.Option(help="Manifest to write.")],
) -> None:
    """Propose a manifest from the examinations in a folder, to be checked and completed."""
    with reported(as_json=False):
        from meniscal_measure.cohort.discover import propose_manifest
        from meniscal_measure.cohort.manifest import manifest_csv
        from meniscal_measure.files import write_text

        with progress_bar("Reading headers", shown=True) as progress:
            proposal = propose_manifest(folder, progress=progress)
        write_text(out, manifest_csv(proposal.entries))
        for remark in proposal.remarks:
            say(remark, err=True)
        say(f"Written: {out}, {len(proposal.entries)} examinations. Check it.")


AS_STORED = (
    "The store was read, not the images: `cohort measure` notices which of them changed since"
    " (measured_at in an export) and measures those again."
)
"""What whoever exports or reports must know."""


@app.command()
def measure(
    manifest: ManifestPath,
    store: StorePath = STORE,
    axis: Axis = AxisConvention.RIM_TO_RIM,
    threshold_rule: ExactlyThreshold = ThresholdRule.ABOVE,
    threshold_mm: ThresholdMm = THRESHOLD_MM,
    refine_edges: RefineEdges = False,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Processes on this machine; by default one for each core."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Measure on the Dask cluster at this address instead.")
    ] = None,
    time_limit: Annotated[
        float | None,
        typer.Option(min=1, help="Seconds after which a knee is given up; by default 900."),
    ] = None,
    retry_refused: Annotated[
        bool, typer.Option("--retry-refused", help="Measure again what was refused before.")
    ] = False,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Drop readings of earlier manifests; otherwise they stay in the store.",
        ),
    ] = False,
    log: Annotated[
        Path | None, typer.Option(help="File to which a line is added for each knee.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Measure every knee of a manifest that has not been measured yet.

    Ctrl-C stops it; the same command resumes it, also after a crash.
    """
    with reported(as_json=as_json):
        from meniscal_measure.cohort.manifest import Manifest
        from meniscal_measure.cohort.run import Job, run_cohort
        from meniscal_measure.cohort.task import Settings
        from meniscal_measure.errors import UsageError

        if not math.isfinite(threshold_mm):
            raise UsageError(f"The threshold is {threshold_mm}; give a number of mm, such as 3.")
        conventions = Conventions(axis, threshold_rule, threshold_mm)
        job = Job(store, Settings(conventions, refine_edges), retry_refused, replace)
        with cohort_progress(log) as watch:
            progress = run_cohort(
                Manifest(manifest), job, carry_out=_by(workers, scheduler, time_limit), watch=watch
            )
        say_end(progress, store, as_json=as_json)
        if progress.failures or progress.stopped:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


@app.command()
def export(
    out: OutFolder,
    store: StorePath = STORE,
    parquet: Annotated[
        bool, typer.Option("--parquet", help="Write Parquet beside the CSV.")
    ] = False,
    without_identifiers: Annotated[
        bool,
        typer.Option(
            "--without-identifiers", help="Leave out paths, which may carry names, and UIDs."
        ),
    ] = False,
) -> None:
    """Write the readings as a table, with a description of its columns (datapackage.json).

    Numbers of knee cases that `add-cases` has brought into the store are a table beside it.
    """
    with reported(as_json=False):
        from meniscal_measure.cohort.case_table import case_table
        from meniscal_measure.cohort.store import Store
        from meniscal_measure.cohort.table_export import (
            PACKAGE,
            export_csv,
            export_description,
            export_parquet,
            export_table,
        )

        identifiers = not without_identifiers
        with Store.existing(store) as opened:
            tables = [export_table(opened, identifiers=identifiers)]
            if opened.has_cases:
                tables.append(case_table(identifiers=identifiers))
            for table in tables:
                export_csv(opened, table, out / f"{table.name}.csv")
                if parquet:
                    export_parquet(opened, table, out / f"{table.name}.parquet")
        export_description(tables, out / PACKAGE)
        say(f"Written to {out}. {AS_STORED}")


@app.command("add-cases")
def add_cases(
    cases: Annotated[
        list[Path],
        typer.Argument(
            metavar="CASE...",
            help="Folders that the command case has written, or folders of such folders.",
        ),
    ],
    store: StorePath = STORE,
) -> None:
    """Bring the numbers and signs of knee cases into the store, beside their readings.

    A case belongs to the subject and visit whose reading names the same study. Of several cases of
    one knee and root the newest counts.
    """
    with reported(as_json=False):
        from meniscal_measure.cohort.case_table import add_cases as bring_cases
        from meniscal_measure.cohort.case_table import case_files
        from meniscal_measure.cohort.store import Store

        with Store.existing(store) as opened:
            added, unknown = bring_cases(opened, case_files(cases))
        for path in unknown:
            say(f"Left out, as no reading of the store names its study: {path}", err=True)
        say(f"Cases added: {added}. `cohort export` writes their numbers as quantities.csv.")
        if unknown:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


@app.command()
def report(
    out: OutFolder,
    store: StorePath = STORE,
    reference: Annotated[
        Path | None,
        typer.Option(
            help="Reference findings to compare with: CSV with subject, visit, side, finding."
        ),
    ] = None,
    slice_convention: Annotated[
        SliceConvention | None,
        typer.Option(help="Report only readings on slices chosen by this rule."),
    ] = None,
) -> None:
    """Write the report: key results, methods, change by group, agreement, accuracy, quality.

    One page, one PDF of at most eight pages, and every table, plot and list of knees as a file.
    """
    with reported(as_json=False):
        from meniscal_measure.cohort.paper.accuracy_section import read_reference
        from meniscal_measure.cohort.paper.saved_report import save_report
        from meniscal_measure.cohort.paper.study_report import TITLE, cohort_report
        from meniscal_measure.cohort.store import Store

        findings = None if reference is None else read_reference(reference)
        with Store.existing(store) as opened:
            blocks = cohort_report(opened, reference=findings, slice_convention=slice_convention)
            written = save_report(TITLE, blocks, out)
        say(
            f"Written: {written[0]}, {written[1]} and {len(written) - 2} tables and plots."
            f" {AS_STORED}"
        )


def _by(workers: int | None, scheduler: str | None, time_limit: float | None) -> CarryOut:
    from meniscal_measure.cohort.pool import TIME_LIMIT_S

    time_limit_s = TIME_LIMIT_S if time_limit is None else time_limit
    if scheduler is not None:
        from meniscal_measure.cohort.cluster import on_cluster

        return on_cluster(scheduler, time_limit_s=time_limit_s)
    from meniscal_measure.cohort.run import on_this_machine

    return on_this_machine(workers=workers, time_limit_s=time_limit_s)


add_commands(app)

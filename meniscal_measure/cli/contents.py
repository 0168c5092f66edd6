"""`contents`: what is in a study, and which coronal series would be measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from meniscal_measure.cli.common import (
    AsJson,
    StudyPath,
    print_json,
    progress_bar,
    reported,
    safe_console,
)
from meniscal_measure.errors import ExitCode, NothingMeasurableError

if TYPE_CHECKING:
    from meniscal_measure.findings import Finding
    from meniscal_measure.series.model import Choice, Stack, Study


def contents(study: StudyPath, as_json: AsJson = False) -> None:
    """List the image series of a study, and say which coronal one would be measured and why."""
    from meniscal_measure.series.choose import choose_coronal
    from meniscal_measure.series.scan import open_study

    with reported(as_json=as_json):
        with progress_bar("Reading headers", shown=not as_json) as progress:
            found = open_study(study, progress=progress)
        try:
            choice, remark = choose_coronal(found), ""
        except NothingMeasurableError as error:
            choice, remark = None, str(error)
        if as_json:
            print_json(_as_dict(found, choice, remark))
        else:
            _print_table(found, choice, remark)
        if choice is None:
            raise typer.Exit(ExitCode.NOTHING_MEASURABLE)
        if found.refusals:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


def _as_dict(study: Study, choice: Choice | None, remark: str) -> dict[str, Any]:
    return {
        "study": str(study.path),
        "series": [_stack_dict(number, stack) for number, stack in enumerate(study.stacks, 1)],
        "measured": None if choice is None else study.stacks.index(choice.stack) + 1,
        "reason": remark if choice is None else choice.reason,
        "refused": [{"file": str(item.file), "reason": item.reason} for item in study.refusals],
        "passed_over": [
            {"file": str(item.file), "reason": item.reason} for item in study.passed_over
        ],
    }


def _stack_dict(number: int, stack: Stack) -> dict[str, Any]:
    grid = stack.frames[0].grid
    side = stack.laterality.side
    return {
        "number": number,
        "series_instance_uid": stack.identity.series_instance_uid,
        "description": stack.identity.series_description,
        "plane": str(stack.plane),
        "weighting": str(stack.contrast.weighting),
        "fat_suppressed": stack.contrast.fat_suppressed,
        "contrast_evidence": stack.contrast.evidence,
        "slices": len(stack.frames),
        "instance_numbers": [frame.instance_number for frame in stack.frames],
        "slice_spacing_mm": stack.spacing_mm,
        "rows": grid.rows,
        "columns": grid.columns,
        "row_spacing_mm": grid.row_spacing_mm,
        "column_spacing_mm": grid.column_spacing_mm,
        "side": None if side is None else side.word,
        "side_source": stack.laterality.source,
        "side_hint": None if stack.laterality.hint is None else stack.laterality.hint.word,
        "side_hint_source": stack.laterality.hint_source,
        "findings": [found.to_json() for found in _findings(stack)],
    }


def _findings(stack: Stack) -> list[Finding]:
    from meniscal_measure.series.side import hint_findings

    return [*stack.findings, *hint_findings(stack.laterality)]


def _print_table(study: Study, choice: Choice | None, remark: str) -> None:
    from rich.markup import escape
    from rich.table import Table

    console = safe_console()
    table = Table(title=escape(str(study.path)), title_justify="left")
    for heading in ("No.", "Series", "Plane", "Contrast", "Slices", "Images", "Pixel mm", "Side"):
        table.add_column(heading, overflow="fold")
    for number, stack in enumerate(study.stacks, 1):
        table.add_row(*(escape(cell) for cell in _row(number, stack)))
    console.print(table)
    for number, stack in enumerate(study.stacks, 1):
        for finding in _findings(stack):
            console.print(f"[bold]No. {number}[/bold] {escape(finding.words())}")
    for refusal in study.refusals:
        console.print(f"[bold]Refused[/bold] {escape(str(refusal.file))}: {escape(refusal.reason)}")
    if study.passed_over:
        console.print(f"Skipped: {len(study.passed_over)} file(s) that are not MR images.")
    console.print(
        escape(remark)
        if choice is None
        else f"[bold]To be measured: No. {study.stacks.index(choice.stack) + 1}.[/bold] "
        + escape(choice.reason)
    )


def _row(number: int, stack: Stack) -> tuple[str, ...]:
    grid, side, hint = stack.frames[0].grid, stack.laterality.side, stack.laterality.hint
    spacing = "" if stack.spacing_mm is None else f" / {stack.spacing_mm:.1f} mm"
    shown_side = "unknown" if side is None else side.word
    if side is None and hint is not None:
        shown_side = f"unknown ({stack.laterality.hint_source} suggests {hint.word})"
    fat = ", fat suppressed" if stack.contrast.fat_suppressed else ""
    return (
        str(number),
        stack.identity.series_description or stack.identity.series_instance_uid,
        str(stack.plane),
        f"{stack.contrast.weighting}{fat}",
        f"{len(stack.frames)}{spacing}",
        _images(stack),
        f"{grid.row_spacing_mm:.3g} x {grid.column_spacing_mm:.3g}",
        shown_side,
    )


def _images(stack: Stack) -> str:
    """Instance Numbers of the first slice and the last, as slices are counted for people."""
    from meniscal_measure.slice_name import runs_from_front

    ends = [stack.frames[i].instance_number for i in (0, -1)]
    first, last = ends if runs_from_front(stack.frames) else ends[::-1]
    if first is None or last is None:
        return "without number"
    return str(first) if len(stack.frames) == 1 else f"{first} to {last}"

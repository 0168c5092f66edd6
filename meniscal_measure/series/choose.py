"""Choosing the coronal stack for the job, with the reason in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import NothingMeasurableError, UsageError
from meniscal_measure.series.model import Choice, Contrast, Stack, Study, Weighting

ENOUGH_SLICES = 8
"""Fewer slices than this do not cover a knee from front to back (common practice, no source)."""

ENOUGH_DEPTH_MM = 30.0
"""Depth of a stack from first to last slice that takes in the tibial plateau's middle; the plateau
itself is about 45-50 mm deep (common practice, no source)."""

COARSE_SLICE_SPACING_MM = 6.0
"""Slices further apart belong to a localizer (common practice, no source)."""

COARSE_PIXEL_MM = 1.0
"""Pixels larger than this belong to a localizer (common practice, no source)."""

_LISTED_FILES = 5
"""Refused files named in a message; the rest is counted."""


class _Rank(NamedTuple):
    """Sorts ascending: the smaller, the better."""

    localizer: bool
    contrast: int
    pixel_mm: float
    slice_spacing_mm: float
    fewer_slices: int
    echo_time_ms: float
    series_instance_uid: str
    first_sop_instance_uid: str


def choose_coronal(
    study: Study,
    *,
    series_instance_uid: str | None = None,
    stack_number: int | None = None,
    sop_instance_uid: str | None = None,
) -> Choice:
    """Choose the stack to measure on.

    Without an argument the coronal stacks are ranked: those that cover the joint before
    localizers; then fat-suppressed proton-density or T2, proton-density, T2, T1, others; then the
    smaller pixels, the closer slices, the more of them, and the shorter echo.

    Parameters
    ----------
    study
        What was found.
    series_instance_uid
        Only stacks of this series.
    stack_number
        The stack with this place in `study.stacks`, counted from 1.
    sop_instance_uid
        Only the stack that holds this image.

    Raises
    ------
    UsageError
        If the series, stack or image asked for is not in the study.
    NothingMeasurableError
        If no coronal stack is among those asked for; says what was found instead.
    """
    if not study.stacks:
        raise NothingMeasurableError(_nothing_usable(study))
    asked = _asked(study, series_instance_uid, stack_number, sop_instance_uid)
    coronal = sorted((stack for stack in asked if stack.plane is Plane.CORONAL), key=_rank)
    if not coronal:
        raise NothingMeasurableError(_no_coronal(study, asked))
    best, *others = coronal
    if sop_instance_uid is not None:
        request = "it holds the image on which landmarks are placed"
    else:
        request = "as asked for" if len(asked) < len(study.stacks) else ""
    return Choice(best, _reason(best, others, request), tuple(others))


def _asked(
    study: Study,
    series_instance_uid: str | None,
    stack_number: int | None,
    sop_instance_uid: str | None,
) -> list[Stack]:
    stacks = list(study.stacks)
    if stack_number is not None:
        if not 1 <= stack_number <= len(stacks):
            raise UsageError(
                f"There is no series {stack_number}; {study.path} has series 1 to {len(stacks)}, as"
                " `contents` numbers them. Give one of these with --series."
            )
        stacks = [stacks[stack_number - 1]]
    if series_instance_uid is not None:
        stacks = [s for s in stacks if s.identity.series_instance_uid == series_instance_uid]
    if sop_instance_uid is not None:
        stacks = [
            stack
            for stack in stacks
            if any(frame.sop_instance_uid == sop_instance_uid for frame in stack.frames)
        ]
    if not stacks:
        asked_for = sop_instance_uid or series_instance_uid
        raise UsageError(
            f"{study.path} holds no series with {asked_for} as asked for. See with `contents` what"
            " it holds."
        )
    return stacks


def _rank(stack: Stack) -> _Rank:
    grid = stack.frames[0].grid
    return _Rank(
        localizer=bool(_localizer_signs(stack)),
        contrast=_contrast_rank(stack.contrast),
        pixel_mm=round(max(grid.row_spacing_mm, grid.column_spacing_mm), 3),
        slice_spacing_mm=round(stack.spacing_mm or 0.0, 2),
        fewer_slices=-len(stack.frames),
        echo_time_ms=stack.contrast.echo_time_ms or 0.0,
        series_instance_uid=stack.identity.series_instance_uid,
        first_sop_instance_uid=stack.frames[0].sop_instance_uid,
    )


def _contrast_rank(contrast: Contrast) -> int:
    fluid_sensitive = {Weighting.PROTON_DENSITY, Weighting.T2}
    if contrast.fat_suppressed and contrast.weighting in fluid_sensitive:
        return 0
    order = (Weighting.PROTON_DENSITY, Weighting.T2, Weighting.T1, Weighting.GRADIENT_ECHO)
    return order.index(contrast.weighting) + 1 if contrast.weighting in order else len(order) + 1


def _localizer_signs(stack: Stack) -> list[str]:
    """Say what marks a stack as a localizer or as otherwise too coarse for the job."""
    grid = stack.frames[0].grid
    depth_mm = stack.positions_mm[-1] - stack.positions_mm[0]
    pixel_mm = max(grid.row_spacing_mm, grid.column_spacing_mm)
    spacing_mm = stack.spacing_mm or 0.0
    signs = {
        f"only {_counted(len(stack.frames))}": len(stack.frames) < ENOUGH_SLICES,
        f"only {depth_mm:.0f} mm deep": depth_mm < ENOUGH_DEPTH_MM,
        f"slices {spacing_mm:.1f} mm apart": spacing_mm > COARSE_SLICE_SPACING_MM,
        f"pixels of {pixel_mm:.2f} mm": pixel_mm > COARSE_PIXEL_MM,
    }
    return [words for words, present in signs.items() if present]


def _reason(best: Stack, others: Sequence[Stack], request: str) -> str:
    parts = [f"{describe(best)}: {best.contrast.evidence}"]
    signs = _localizer_signs(best)
    if signs:
        parts.append(f"coarse for the job ({', '.join(signs)})")
    if request:
        parts.append(request)
    elif not others:
        parts.append("the only coronal stack")
    if others:
        parts.append("ranked before " + ", ".join(describe(stack) for stack in others))
    return "; ".join(parts)


def describe(stack: Stack) -> str:
    """Name a stack in a few words: series, contrast, size, spacing."""
    grid, identity, contrast = stack.frames[0].grid, stack.identity, stack.contrast
    number = "" if identity.series_number is None else f" {identity.series_number}"
    suppressed = " fat-suppressed" if contrast.fat_suppressed else ""
    spacing = "" if stack.spacing_mm is None else f", {stack.spacing_mm:.1f} mm apart"
    return (
        f"series{number} {identity.series_description!r} ({stack.plane} {contrast.weighting}"
        f"{suppressed}, {_counted(len(stack.frames))}{spacing}, pixels"
        f" {grid.row_spacing_mm:.2f} x {grid.column_spacing_mm:.2f} mm)"
    )


def _counted(slices: int) -> str:
    return "1 slice" if slices == 1 else f"{slices} slices"


def _no_coronal(study: Study, asked: Sequence[Stack]) -> str:
    found = "; ".join(describe(stack) for stack in asked)
    refused = f" Refused: {_listed(study)}." if study.refusals else ""
    return (
        f"No coronal stack among those found in {study.path}: {found}. Extrusion is measured on"
        f" coronal images; give the folder that holds them.{refused}"
    )


def _nothing_usable(study: Study) -> str:
    return f"No usable MR image in {study.path}: {_listed(study)}."


def _listed(study: Study) -> str:
    files = [*study.refusals, *study.passed_over]
    if not files:
        return "there is no file in it"
    listed = "; ".join(f"{item.file}: {item.reason.rstrip('.')}" for item in files[:_LISTED_FILES])
    rest = len(files) - _LISTED_FILES
    return listed + (f"; and {rest} more" if rest > 0 else "")

"""Choosing the coronal stack for the job, with the reason in words."""

from __future__ import annotations

from collections.abc import Sequence

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import NothingMeasurableError, UsageError
from meniscal_measure.findings import Code
from meniscal_measure.sentences import Joined, Sentence, plain
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


def choose_coronal(
    study: Study, *, stack_number: int | None = None, sop_instance_uid: str | None = None
) -> Choice:
    """Choose the stack to measure on.

    Without an argument the coronal stacks are ranked: those that cover the joint before
    localizers; then fat-suppressed proton-density or T2, proton-density, T2, T1, others; then the
    smaller pixels, the closer slices, the more of them, and the shorter echo.

    Parameters
    ----------
    study
        What was found.
    stack_number
        The stack with this place in `study.stacks`, counted from 1.
    sop_instance_uid
        Only the stack that holds this image.

    Raises
    ------
    UsageError
        If the stack or image asked for is not in the study.
    NothingMeasurableError
        If no coronal stack is among those asked for; says what was found instead.

    Examples
    --------
    >>> choose_coronal(study).stack.plane
    <Plane.CORONAL: 'coronal'>
    """
    if not study.stacks:
        raise NothingMeasurableError(
            "No usable MR image in {study:private}: {files}.",
            study=str(study.path),
            files=_listed(study),
        )
    asked = _asked(study, stack_number, sop_instance_uid)
    coronal = sorted((stack for stack in asked if stack.plane is Plane.CORONAL), key=_rank)
    if not coronal:
        raise NothingMeasurableError(
            "No coronal stack among those found in {study:private}: {found}. Extrusion is measured"
            " on coronal images; give the folder that holds them.{refused}",
            study=str(study.path),
            found=Joined(tuple(map(describe, asked))),
            refused=Sentence(" Refused: {files}.", {"files": _listed(study)})
            if study.refusals
            else plain(""),
        )
    best, *others = coronal
    if sop_instance_uid is not None:
        request = "it holds the image on which landmarks are placed"
    else:
        request = "as asked for" if len(asked) < len(study.stacks) else ""
    return Choice(best, _reason(best, others, request), tuple(others))


def _asked(study: Study, stack_number: int | None, sop_instance_uid: str | None) -> list[Stack]:
    stacks = list(study.stacks)
    if stack_number is not None:
        if not 1 <= stack_number <= len(stacks):
            raise UsageError(
                "There is no series {number}; {study:private} has series 1 to {count}, as"
                " `contents` numbers them. Give one of these with --series.",
                number=stack_number,
                study=str(study.path),
                count=len(stacks),
            )
        stacks = [stacks[stack_number - 1]]
    if sop_instance_uid is not None:
        stacks = [
            stack
            for stack in stacks
            if any(frame.sop_instance_uid == sop_instance_uid for frame in stack.frames)
        ]
    if not stacks:
        raise UsageError(
            "{study:private} holds no series with the image {uid:private}. See with `contents`"
            " what it holds.",
            study=str(study.path),
            uid=sop_instance_uid or "",
        )
    return stacks


def ranked(study: Study, plane: Plane) -> list[Stack]:
    """List the stacks of a plane, the one best for the job first.

    Examples
    --------
    >>> [stack.identity.series_description for stack in ranked(study, Plane.CORONAL)]
    ['COR IW TSE']
    """
    return sorted((stack for stack in study.stacks if stack.plane is plane), key=_rank)


def _rank(stack: Stack) -> tuple[object, ...]:
    """Sort key by which the best stack for the job comes first."""
    grid, contrast = stack.frames[0].grid, stack.contrast
    return (
        bool(_localizer_signs(stack)),
        _contrast_rank(contrast),
        round(max(grid.row_spacing_mm, grid.column_spacing_mm), 3),
        round(stack.spacing_mm or 0.0, 2),
        -len(stack.frames),
        contrast.echo_time_ms or 0.0,
        stack.identity.series_instance_uid,
        stack.frames[0].sop_instance_uid,
    )


def _contrast_rank(contrast: Contrast) -> int:
    fluid_sensitive = {Weighting.PROTON_DENSITY, Weighting.T2}
    if contrast.fat_suppressed and contrast.weighting in fluid_sensitive:
        return 0
    order = (Weighting.PROTON_DENSITY, Weighting.T2, Weighting.T1, Weighting.GRADIENT_ECHO)
    return order.index(contrast.weighting) + 1 if contrast.weighting in order else len(order) + 1


def _localizer_signs(stack: Stack) -> list[str]:
    """Say what marks a stack as a localizer or as otherwise unfit for the job."""
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
    kinds = [f.values["kind"] for f in stack.findings if f.code is Code.NO_PLAIN_SLICES]
    typed = [f"Image Type {kind}" for kind in kinds]
    return [*(words for words, present in signs.items() if present), *typed]


def _reason(best: Stack, others: Sequence[Stack], request: str) -> Joined:
    evidence = best.contrast.evidence
    parts = [Sentence("{stack}: {why:private}", {"stack": describe(best), "why": evidence})]
    signs = _localizer_signs(best)
    if signs:
        parts.append(plain(f"ill suited to the job ({', '.join(signs)})"))
    if request or not others:
        parts.append(plain(request or "the only coronal stack"))
    if others:
        ranked = Joined(tuple(map(describe, others)), ", ")
        parts.append(Sentence("ranked before {others}", {"others": ranked}))
    return Joined(tuple(parts))


def describe(stack: Stack) -> Sentence:
    """Name a stack in a few words: series, contrast, size, spacing.

    Examples
    --------
    >>> describe(study.stacks[0]).words()
    "series 1 'COR IW TSE' (coronal PD, 13 slices, 3.0 mm apart, pixels 0.50 x 0.50 mm)"
    """
    grid, identity, contrast = stack.frames[0].grid, stack.identity, stack.contrast
    number = "" if identity.series_number is None else f" {identity.series_number}"
    suppressed = " fat-suppressed" if contrast.fat_suppressed else ""
    spacing = "" if stack.spacing_mm is None else f", {stack.spacing_mm:.1f} mm apart"
    return Sentence(
        "series{number} {description:private} ({content}, pixels {row_mm:.2f} x {column_mm:.2f}"
        " mm)",
        {
            "number": number,
            "description": repr(identity.series_description),
            "content": f"{stack.plane} {contrast.weighting}{suppressed},"
            f" {_counted(len(stack.frames))}{spacing}",
            "row_mm": grid.row_spacing_mm,
            "column_mm": grid.column_spacing_mm,
        },
    )


def _counted(slices: int) -> str:
    return "1 slice" if slices == 1 else f"{slices} slices"


def _listed(study: Study) -> Joined:
    files = [*study.refusals, *study.passed_over]
    if not files:
        return Joined((plain("there is no file in it"),))
    rest = len(files) - _LISTED_FILES
    more = (plain(f"and {rest} more"),) if rest > 0 else ()
    return Joined((*files[:_LISTED_FILES], *more))

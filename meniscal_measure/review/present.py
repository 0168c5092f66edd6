"""What the page shows of a knee and of a reading: words and pixel coordinates, all made here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Plane
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM
from meniscal_measure.caliper.reading import CompartmentReading, Conventions, Reading, SliceReading
from meniscal_measure.findings import Finding
from meniscal_measure.geometry import FloatArray, PixelGrid, orientation_letters
from meniscal_measure.locate.calibration import GOOD_MM
from meniscal_measure.report import words
from meniscal_measure.report.marks import compartment_marks
from meniscal_measure.review.grey_windows import grey_windows
from meniscal_measure.review.knee import OpenKnee, series_key
from meniscal_measure.review.measuring import Measured
from meniscal_measure.review.side_planes import side_planes
from meniscal_measure.review.state import IMAGE_SIDES, QUALITY_WORDS
from meniscal_measure.series.model import Stack
from meniscal_measure.slice_name import slice_name

CONFIDENCE_WORDS = (
    "The confidence is the program's own estimate of how likely both rims and both outer edges lie"
    f" within {GOOD_MM} mm of where a careful reader puts them."
)

Json = dict[str, Any]


def knee_on_page(knee: OpenKnee) -> Json:
    """Describe an opened knee: its stack, series, side and other planes."""
    identity = knee.stack.identity
    return {
        **stack_on_page(knee.stack),
        "hand_sd_mm": HAND_PLACEMENT_SD_MM,
        "person": " · ".join(
            filter(None, (identity.patient_name, identity.patient_id, identity.study_date))
        ),
        "series": _series(knee),
        "side": {
            "known": knee.laterality.side,
            "source": knee.laterality.source,
            "hint": knee.laterality.hint,
            "hint_source": knee.laterality.hint_source,
        },
        "planes": [
            {"plane": each.stack.plane, "is_linked": each.is_linked, **stack_on_page(each.stack)}
            for each in side_planes(knee.study, knee.stack)
        ],
        "quality": [{"code": code, "words": said} for code, said in QUALITY_WORDS.items()],
    }


def stack_on_page(stack: Stack) -> Json:
    """Describe a stack: size, aspect ratio, places in patient space (LPS mm), slices, windows."""
    grid, frames = stack.frames[0].grid, stack.frames
    names = [slice_name(frames, index) for index in range(len(frames))]
    return {
        "rows": grid.rows,
        "columns": grid.columns,
        "row_spacing_mm": grid.row_spacing_mm,
        "column_spacing_mm": grid.column_spacing_mm,
        "geometry": {
            "origins": [[float(part) for part in frame.grid.origin] for frame in frames],
            "row_direction": [float(part) for part in grid.row_direction],
            "column_direction": [float(part) for part in grid.column_direction],
            "row_spacing_mm": grid.row_spacing_mm,
            "column_spacing_mm": grid.column_spacing_mm,
        },
        "borders": {
            "left": orientation_letters(-grid.row_direction)[0],
            "right": orientation_letters(grid.row_direction)[0],
            "top": orientation_letters(-grid.column_direction)[0],
            "bottom": orientation_letters(grid.column_direction)[0],
        },
        "slices": [{"number": name.number, "short": name.short} for name in names],
        "windows": [asdict(window) for window in grey_windows(stack.contrast)],
    }


def _series(knee: OpenKnee) -> Json:
    """Name the coronal series of the study; none where their identity was taken away."""
    choices = [
        {"key": series_key(knee.study, stack), "words": _series_words(stack)}
        for stack in knee.study.stacks
        if stack.plane is Plane.CORONAL and stack.identity.series_instance_uid
    ]
    key = knee.images if choices else ""
    return {"key": key, "reason": knee.choice.reason, "choices": choices}


def _series_words(stack: Stack) -> str:
    identity, contrast = stack.identity, stack.contrast
    number = "" if identity.series_number is None else f"{identity.series_number} "
    suppressed = " fat-suppressed" if contrast.fat_suppressed else ""
    return (
        f"{number}{identity.series_description or 'no description'} · {contrast.weighting}"
        f"{suppressed} · {len(stack.frames)} slices"
    )


def proposal_on_page(knee: OpenKnee) -> Json:
    """Say which slice is proposed and why, or why none is."""
    return {
        "remark": knee.remark,
        "likely_slice": knee.likely_slice,
        "proposed": _proposed(knee),
    }


def _proposed(knee: OpenKnee) -> Json | None:
    if knee.proposal is None:
        return None
    landmarks = knee.proposal.landmarks
    return {
        "slice": landmarks.measured.slice_index,
        "why": f"{words.SLICE_WORDS[landmarks.slice_convention]}: {landmarks.slice_reason}",
        "confidence": "" if knee.proposal.confidence is None else CONFIDENCE_WORDS,
    }


def measured_on_page(measured: Measured, knee: OpenKnee) -> Json:
    """Describe a reading slice by slice, or say why there is none yet."""
    reading = measured.reading
    if reading is None:
        warnings = _words(measured.left_out, knee)
        return {"message": measured.message, "slices": {}, "warnings": warnings}
    slices = (reading.measured, *reading.neighbours)
    return {
        "message": "",
        "status": words.status_words(reading),
        "slices": {
            str(part.slice_index): _slice(part, reading, knee.grids[part.slice_index])
            for part in slices
        },
        "warnings": _words((*measured.left_out, *reading.warnings), knee),
        "conventions": words.convention_words(reading),
    }


def hidden_on_page(measured: Measured, knee: OpenKnee) -> Json:
    """Say whether the landmarks can be measured, and nothing of how much.

    Findings with a length or another fraction in their words are left out.
    """
    reading = measured.reading
    if reading is None:
        return measured_on_page(measured, knee)
    found = [
        finding
        for finding in (*measured.left_out, *reading.warnings)
        if not any(isinstance(value, float) for value in finding.values.values())
    ]
    nothing = {"compartments": [], "plateau_width": ""}
    slices = (reading.measured, *reading.neighbours)
    return {
        "message": "",
        "is_hidden": True,
        "slices": {str(part.slice_index): nothing for part in slices},
        "warnings": _words(found, knee),
    }


def _words(findings: Iterable[Finding], knee: OpenKnee) -> list[str]:
    return [found.words(slice_name=knee.slice_name) for found in findings]


def _slice(part: SliceReading, reading: Reading, grid: PixelGrid) -> Json:
    compartments = [
        _compartment(found, reading.conventions, grid) for found in part.compartments.values()
    ]
    return {
        "compartments": sorted(compartments, key=lambda found: str(found["image_side"])),
        "plateau_width": words.length_words(part.plateau_width_mm),
    }


def _compartment(found: CompartmentReading, conventions: Conventions, grid: PixelGrid) -> Json:
    marks, extrusion = compartment_marks(found, grid), found.extrusion
    return {
        "compartment": found.compartment,
        "name": found.compartment.words.capitalize(),
        "image_side": IMAGE_SIDES[not marks.on_image_left],
        "extrusion_mm": extrusion.extrusion_mm,
        "expanded_mm": words.expanded_mm(extrusion),
        "value": words.value_words(extrusion),
        "interval": words.interval_words(extrusion),
        "decision": extrusion.decision,
        "decision_words": words.decision_words(extrusion, conventions),
        "flag": extrusion.flag,
        "flag_words": words.flag_words(extrusion, conventions),
        "threshold_remark": words.threshold_remark(extrusion, conventions) or "",
        "probability": words.probability_words(extrusion),
        "body_width": words.length_words(found.body_width_mm),
        "relative_extrusion": words.fraction_words(found.relative_extrusion),
        "coverage": words.fraction_words(found.coverage),
        "coverage_width": found.coverage_width.replace("_", " "),
        "budget": [f"{part.source}: {part.u_mm:.2f} mm" for part in extrusion.budget],
        "lines": {
            "rim": _pixels(marks.rim_line, grid),
            "outer": _pixels(marks.outer_line, grid),
            "caliper": _pixels(marks.caliper, grid),
        },
    }


def _pixels(plane_mm: FloatArray, grid: PixelGrid) -> list[list[float]]:
    spacing_mm = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    return [[float(value) for value in point] for point in plane_mm / spacing_mm]


def extrusions(reading: Reading | None) -> Json:
    """Extrusion of each compartment on the measured slice, for a list of changes.

    Examples
    --------
    >>> extrusions(reading), extrusions(None)
    ({<Compartment.LATERAL: 'lateral'>: 1.0, <Compartment.MEDIAL: 'medial'>: 4.5}, {})
    """
    if reading is None:
        return {}
    return {
        name: found.extrusion.extrusion_mm for name, found in reading.measured.compartments.items()
    }

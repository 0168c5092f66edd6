"""The extrusion at follow-up against that at baseline, on the same slice of the bone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.detectable_change import Change, smallest_detectable_change
from meniscal_measure.errors import InputError, NothingMeasurableError
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.extrusion_curve import (
    BonePlace,
    CurvePoint,
    curve_point,
    extrusion_curve,
    read_at_place,
)
from meniscal_measure.knee.named_landmarks import traced_slice
from meniscal_measure.knee.pairing import check_pair, days_between
from meniscal_measure.knee.published import ReaderError, published
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, Visit
from meniscal_measure.knee.registration import Registration, contrast_match, register_tibia
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.series.model import Stack

LARGEST_ERROR_MM = 1.5
"""A registration less certain than this finds no slice: half the usual slice spacing of 3 mm."""

LARGEST_TILT_DEG = 20.0
"""Slices tilted further against each other cut the body differently (common practice, no
source)."""


@dataclass(frozen=True)
class FollowedExtrusion:
    """One compartment at both examinations, on the same slice of the bone."""

    baseline_mm: float
    follow_up_mm: float
    """Between the two measured slices about the place, in proportion."""
    change: Change
    curves: Mapping[Visit, tuple[CurvePoint, ...]]


@dataclass(frozen=True, eq=False)
class FollowUp:
    """The follow-up of one knee."""

    registration: Registration
    compared: Mapping[Visit, int]
    """Index of the compared slice in each stack; at follow-up the one nearest to it."""
    offset_mm: float
    """Distance of that slice from the place in the bone, along its normal."""
    tilt_deg: float
    """Angle between the slices of both examinations, in the bone."""
    days: int | None
    """Between the examinations; None where a date is not known."""
    compartments: Mapping[Compartment, FollowedExtrusion]
    remarks: tuple[str, ...]
    """What could not be checked."""


def _checked(baseline: KneeExamination, follow_up: KneeExamination) -> tuple[str, ...]:
    """Refuse two examinations that cannot be compared, and say what could not be checked."""
    unchecked = check_pair(baseline.identity, follow_up.identity)
    axes = [item.reading.conventions.axis for item in (baseline, follow_up)]
    if axes[0] is not axes[1]:
        raise InputError(
            f"The baseline is measured along {axes[0]} and the follow-up along {axes[1]}. Measure"
            " both along one axis (--axis)."
        )
    return unchecked


def same_slice(
    baseline: KneeExamination, follow_up_stack: Stack, move: RigidMove
) -> tuple[int, float]:
    """Find the slice of the follow-up that shows the baseline's measured slice of the bone.

    Returns
    -------
    index, offset_mm
        The nearest slice, and how far the place lies behind it along its normal, mm.

    Raises
    ------
    NothingMeasurableError
        If that place lies outside the follow-up's stack.
    """
    tibia = baseline.tibia()
    position_mm = float(move(tibia.centre_mm) @ follow_up_stack.frames[0].grid.normal)
    offsets = position_mm - np.array(follow_up_stack.positions_mm)
    index = int(np.argmin(np.abs(offsets)))
    if abs(offsets[index]) > (follow_up_stack.spacing_mm or 0.0):
        raise NothingMeasurableError(
            f"The measured slice of the baseline lies {abs(offsets[index]):.0f} mm outside the"
            " follow-up's stack. Give a series that shows the middle of the plateau."
        )
    return index, float(offsets[index])


def registered(baseline: KneeExamination, follow_up: KneeExamination) -> Registration:
    """Find the tibia of the baseline in the follow-up; refused is what `compared` refuses."""
    _checked(baseline, follow_up)
    contrasts = contrast_match(baseline.stack.contrast, follow_up.stack.contrast)
    return register_tibia(baseline.tibia(), follow_up.tibia(), contrasts)


def compared(
    baseline: KneeExamination, follow_up: KneeExamination, registration: Registration
) -> FollowUp:
    """Compare the extrusion of two examinations on the same slice of the bone.

    Both are measured, the follow-up on the slice that `same_slice` finds, or on those about it.

    Raises
    ------
    SideError, InputError
        As `check_pair`, or if the extrusion is measured along different axes.
    LandmarkError
        If a rim is not placed, or nothing is measured about the same slice at follow-up.
    NothingMeasurableError
        If the tibia cannot be registered well enough.

    Notes
    -----
    The slice is the same, so what the choice of the slice adds to each reading does not count
    twice: it is replaced by the slope of the extrusion along the bone times the error of the
    registration, as a standard uncertainty.
    """
    remarks = _checked(baseline, follow_up)
    tilt_deg = _tilt_deg(baseline.stack, follow_up.stack, registration.move)
    if registration.error_mm > LARGEST_ERROR_MM or tilt_deg > LARGEST_TILT_DEG:
        raise NothingMeasurableError(
            f"The same slice is not found: the tibia is registered to {registration.error_mm:.1f}"
            f" mm only (limit {LARGEST_ERROR_MM:g} mm), or the slices are turned by"
            f" {tilt_deg:.0f} degrees (limit {LARGEST_TILT_DEG:g}). Give series of one protocol."
        )
    index, offset_mm = same_slice(baseline, follow_up.stack, registration.move)
    extrusions = {
        name: _followed(name, baseline, follow_up, registration)
        for name in baseline.reading.measured.compartments
        if any(name in part.compartments for part in follow_up.slices)
    }
    return FollowUp(
        registration,
        {Visit.BASELINE: baseline.reading.measured.slice_index, Visit.FOLLOW_UP: index},
        offset_mm,
        tilt_deg,
        days_between(baseline.identity.study_date, follow_up.identity.study_date),
        extrusions,
        remarks,
    )


def _tilt_deg(baseline: Stack, follow_up: Stack, move: RigidMove) -> float:
    normals = move.rotation @ baseline.frames[0].grid.normal, follow_up.frames[0].grid.normal
    return math.degrees(math.acos(min(1.0, abs(float(normals[0] @ normals[1])))))


def _followed(
    name: Compartment, baseline: KneeExamination, follow_up: KneeExamination, found: Registration
) -> FollowedExtrusion:
    measured = baseline.reading.measured.compartments[name]
    place = BonePlace(
        np.array(measured.landmarks[Landmark.OUTER_EDGE].point_mm),
        baseline.stack.frames[0].grid.normal,
    )
    at_baseline = curve_point(0.0, measured)
    later = extrusion_curve(follow_up, name, place, found.move.inverse)
    at_follow_up, slope = read_at_place(later, name, follow_up.stack.spacing_mm or 0.0)
    change = Change(
        at_follow_up.extrusion_mm - at_baseline.extrusion_mm,
        math.hypot(at_baseline.u_mm, at_follow_up.u_mm, slope * found.error_mm),
        detectable_mm(published().reader_error),
    )
    curves = {Visit.BASELINE: extrusion_curve(baseline, name, place), Visit.FOLLOW_UP: later}
    return FollowedExtrusion(at_baseline.extrusion_mm, at_follow_up.extrusion_mm, change, curves)


def detectable_mm(readers: ReaderError) -> float:
    """Smallest detectable change of medial extrusion where the readers' own is not known.

    Their standard error of measurement is SD x sqrt(1 - ICC) (Weir JP. J Strength Cond Res
    2005;19:231-240).

    Examples
    --------
    >>> round(detectable_mm(published().reader_error), 2)
    0.81
    """
    return smallest_detectable_change(
        readers.population_sd_mm * math.sqrt(1 - readers.agreement_icc)
    )


def follow_up_part(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> CasePart:
    """Give the follow-up, as `compared` returns it of the two examinations, as a part."""
    where = tuple(
        traced_slice(item.stack, found.compared[visit], visit)
        for item, visit in ((baseline, Visit.BASELINE), (follow_up, Visit.FOLLOW_UP))
    )
    seen = baseline.reading.verified and follow_up.reading.verified
    basis = Basis.READER if seen else Basis.PROPOSED
    quantities, remarks = [], []
    for name, one in found.compartments.items():
        change = one.change
        quantities.append(
            TracedQuantity(
                f"change of {name.words} extrusion", change.value, "mm", change.u, basis, where,
                f"{one.follow_up_mm:.2f} mm at follow-up less {one.baseline_mm:.2f} mm at baseline",
            )
        )  # fmt: skip
        remarks.append(
            f"{name.words.capitalize()} extrusion: {change.verdict} (smallest detectable change"
            f" {change.detectable:.2f} mm)."
        )
    error = found.registration
    quantities += [
        TracedQuantity(
            "distance of the follow-up's slice from the same place in the bone", found.offset_mm,
            "mm", error.error_mm, Basis.PIXELS, where, "rigid registration of the proximal tibia",
        ),
        TracedQuantity(
            "angle between the slices of both examinations", found.tilt_deg,
            "deg", error.error_deg, Basis.PIXELS, where, "rigid registration of the proximal tibia",
        ),
    ]  # fmt: skip
    figures = published()
    readers = figures.reader_error
    detectable = (
        f"Smallest detectable change {readers.note} ({figures.source[readers.source].words})."
    )
    return CasePart("Follow-up", tuple(quantities), (*remarks, detectable, *found.remarks))

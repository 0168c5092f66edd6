"""The extrusion at follow-up against that at baseline, on the same slice of the bone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.budget import SLICE_CHOICE
from meniscal_measure.caliper.detectable_change import Change, smallest_detectable_change
from meniscal_measure.caliper.reading import CompartmentReading, Reading, SliceReading
from meniscal_measure.errors import InputError, LandmarkError, NothingMeasurableError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.named_landmarks import traced_slice
from meniscal_measure.knee.pairing import KneeIdentity, check_pair, days_between
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, Visit
from meniscal_measure.knee.registration import Registration, register_tibia
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.knee.tibia_images import TibiaImages
from meniscal_measure.series.model import Stack

DETECTABLE_MM = smallest_detectable_change(0.92 * math.sqrt(1 - 0.90))
"""Smallest detectable change of medial extrusion where the readers' own is not known, mm.

Derived, as no paper states one: standard deviation 0.92 mm (Bruns 2014, BMC Musculoskelet Disord
15:32) and a reader agreement of ICC 0.90 give a standard error of measurement of 0.29 mm."""

DETECTABLE_SOURCE = (
    "smallest detectable change DERIVED, no paper states one: SD 0.92 mm (Bruns 2014) and ICC 0.90"
)

LARGEST_ERROR_MM = 1.5
"""A registration less certain than this finds no slice: half the usual slice spacing of 3 mm."""

LARGEST_TILT_DEG = 20.0
"""Slices turned further against each other cut the body otherwise (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Examination:
    """One examination of a knee: the reading, its stack, and all pixels of the stack."""

    reading: Reading
    stack: Stack
    pixels: NDArray[np.float32]

    @property
    def slices(self) -> tuple[SliceReading, ...]:
        """The measured slices in geometric order."""
        parts = (self.reading.measured, *self.reading.neighbours)
        return tuple(sorted(parts, key=lambda part: part.slice_index))

    def tibia(self) -> TibiaImages:
        """Give the stack with the rims of the measured slice, for registration.

        Raises
        ------
        LandmarkError
            If a rim is not placed.
        """
        found = self.reading.measured.compartments
        try:
            rims = [
                found[name].landmarks[Landmark.RIM].point_mm
                for name in (Compartment.MEDIAL, Compartment.LATERAL)
            ]
        except KeyError as error:
            raise LandmarkError(
                "To find the same slice again both plateau rims are needed, on a knee whose side is"
                " known. Place medial_rim and lateral_rim at both examinations."
            ) from error
        return TibiaImages(self.pixels, tuple(f.grid for f in self.stack.frames), *rims)


@dataclass(frozen=True)
class CurvePoint:
    """Extrusion on one slice: how far the slice lies behind the compared one in the bone, mm."""

    behind_mm: float
    extrusion_mm: float
    u_mm: float


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
    """The follow-up of one knee.

    Parameters
    ----------
    registration
        Where the tibia lies at follow-up.
    compared
        Index of the compared slice in each stack; at follow-up the one nearest to it.
    offset_mm
        Distance of that slice from the place in the bone, along its normal.
    tilt_deg
        Angle between the slices of both examinations, in the bone.
    days
        Between the examinations; None where a date is not known.
    compartments
        The extrusions compared.
    remarks
        What could not be checked.
    """

    registration: Registration
    compared: Mapping[Visit, int]
    offset_mm: float
    tilt_deg: float
    days: int | None
    compartments: Mapping[Compartment, FollowedExtrusion]
    remarks: tuple[str, ...]


def _checked(baseline: Reading, follow_up: Reading) -> tuple[str, ...]:
    """Refuse two readings that cannot be compared, and say what could not be checked."""
    unchecked = check_pair(_identity(baseline), _identity(follow_up))
    if baseline.conventions.axis is not follow_up.conventions.axis:
        raise InputError(
            f"The baseline is measured along {baseline.conventions.axis} and the follow-up along"
            f" {follow_up.conventions.axis}. Measure both along one axis (--axis)."
        )
    return unchecked


def _identity(reading: Reading) -> KneeIdentity:
    source = reading.source
    return KneeIdentity(
        source.side, source.patient_id, source.study_instance_uid, source.study_date
    )


def same_slice(baseline: Examination, follow_up_stack: Stack, move: RigidMove) -> tuple[int, float]:
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
    position_mm = _position(follow_up_stack, move(tibia.centre_mm))
    offsets = position_mm - np.array(follow_up_stack.positions_mm)
    index = int(np.argmin(np.abs(offsets)))
    if abs(offsets[index]) > (follow_up_stack.spacing_mm or 0.0):
        raise NothingMeasurableError(
            f"The measured slice of the baseline lies {abs(offsets[index]):.0f} mm outside the"
            " follow-up's stack. Give a series that shows the middle of the plateau."
        )
    return index, float(offsets[index])


def compared(
    baseline: Examination, follow_up: Examination, *, detectable_mm: float = DETECTABLE_MM
) -> FollowUp:
    """Compare the extrusion of two examinations on the same slice of the bone.

    Parameters
    ----------
    baseline, follow_up
        Both measured, the follow-up on the slice that `same_slice` finds, or on those about it.
    detectable_mm
        Smallest detectable change of the readers.

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
    return compared_on(
        baseline, follow_up, registered(baseline, follow_up), detectable_mm=detectable_mm
    )


def registered(baseline: Examination, follow_up: Examination) -> Registration:
    """Find the tibia of the baseline in the follow-up; see `compared` for what is refused."""
    _checked(baseline.reading, follow_up.reading)
    first, second = baseline.stack.contrast, follow_up.stack.contrast
    alike = (first.weighting, first.fat_suppressed) == (second.weighting, second.fat_suppressed)
    return register_tibia(baseline.tibia(), follow_up.tibia(), same_contrast=alike)


def compared_on(
    baseline: Examination,
    follow_up: Examination,
    registration: Registration,
    *,
    detectable_mm: float = DETECTABLE_MM,
) -> FollowUp:
    """Compare as `compared` does, on a registration that is known already."""
    remarks = _checked(baseline.reading, follow_up.reading)
    tilt_deg = _tilt_deg(baseline.stack, follow_up.stack, registration.move)
    if registration.error_mm > LARGEST_ERROR_MM or tilt_deg > LARGEST_TILT_DEG:
        raise NothingMeasurableError(
            f"The same slice is not found: the tibia is registered to {registration.error_mm:.1f}"
            f" mm only (limit {LARGEST_ERROR_MM:g} mm), or the slices are turned by"
            f" {tilt_deg:.0f} degrees (limit {LARGEST_TILT_DEG:g}). Give series of one protocol."
        )
    index, offset_mm = same_slice(baseline, follow_up.stack, registration.move)
    extrusions = {
        name: _followed(name, baseline, follow_up, registration, detectable_mm)
        for name in baseline.reading.measured.compartments
        if any(name in part.compartments for part in follow_up.slices)
    }
    sources = baseline.reading.source, follow_up.reading.source
    return FollowUp(
        registration,
        MappingProxyType(
            {Visit.BASELINE: baseline.reading.measured.slice_index, Visit.FOLLOW_UP: index}
        ),
        offset_mm,
        tilt_deg,
        days_between(sources[0].study_date, sources[1].study_date),
        MappingProxyType(extrusions),
        remarks,
    )


def _position(stack: Stack, point_mm: FloatArray) -> float:
    return float(point_mm @ stack.frames[0].grid.normal)


def _tilt_deg(baseline: Stack, follow_up: Stack, move: RigidMove) -> float:
    normals = move.rotation @ baseline.frames[0].grid.normal, follow_up.frames[0].grid.normal
    return math.degrees(math.acos(min(1.0, abs(float(normals[0] @ normals[1])))))


def _followed(
    name: Compartment,
    baseline: Examination,
    follow_up: Examination,
    registration: Registration,
    detectable_mm: float,
) -> FollowedExtrusion:
    measured = baseline.reading.measured.compartments[name]
    edge = np.array(measured.landmarks[Landmark.OUTER_EDGE].point_mm)
    normal = baseline.stack.frames[0].grid.normal
    back = 1.0 if normal[1] > 0 else -1.0
    curves = {}
    for visit, examination in ((Visit.BASELINE, baseline), (Visit.FOLLOW_UP, follow_up)):
        home = registration.move.inverse if visit is Visit.FOLLOW_UP else None
        points = []
        for part in examination.slices:
            if (found := part.compartments.get(name)) is not None:
                place = np.array(found.landmarks[Landmark.OUTER_EDGE].point_mm)
                place = place if home is None else home(place)
                behind_mm = back * float((place - edge) @ normal)
                points.append(_curve_point(behind_mm, found))
        curves[visit] = tuple(sorted(points, key=lambda point: point.behind_mm))
    at_baseline = _curve_point(0.0, measured)
    later, slope = _at_same_place(curves[Visit.FOLLOW_UP], follow_up, name)
    change = Change(
        later.extrusion_mm - at_baseline.extrusion_mm,
        math.hypot(at_baseline.u_mm, later.u_mm, slope * registration.error_mm),
        detectable_mm,
    )
    return FollowedExtrusion(
        at_baseline.extrusion_mm, later.extrusion_mm, change, MappingProxyType(curves)
    )


def _curve_point(behind_mm: float, found: CompartmentReading) -> CurvePoint:
    """Take an extrusion without what the choice of its slice adds to the uncertainty."""
    extrusion = found.extrusion
    choice_mm = sum(part.u_mm**2 for part in extrusion.budget if part.source == SLICE_CHOICE)
    u_mm = math.sqrt(max(extrusion.u_mm**2 - choice_mm, 0.0))
    return CurvePoint(behind_mm, extrusion.extrusion_mm, u_mm)


def _at_same_place(
    curve: tuple[CurvePoint, ...], follow_up: Examination, name: Compartment
) -> tuple[CurvePoint, float]:
    """Read a curve at the compared slice, and its slope there, mm per mm."""
    if len(curve) == 1 or not curve[0].behind_mm <= 0 <= curve[-1].behind_mm:
        nearest = min(curve, key=lambda point: abs(point.behind_mm))
        if abs(nearest.behind_mm) > 0.6 * (follow_up.stack.spacing_mm or 0.0):
            raise LandmarkError(
                f"The {name.words} extrusion at follow-up is measured {abs(nearest.behind_mm):.1f}"
                " mm away from the baseline's slice of the bone. Measure it on the slice named as"
                " the same one (--slice)."
            )
        others = [point for point in curve if point is not nearest]
        slopes = [_slope(nearest, point) for point in others]
        return nearest, max(map(abs, slopes), default=0.0)
    after = next(i for i, point in enumerate(curve) if point.behind_mm >= 0)
    before, behind = curve[max(after - 1, 0)], curve[after]
    slope = _slope(before, behind) if behind is not before else 0.0
    value_mm = behind.extrusion_mm - slope * behind.behind_mm
    return CurvePoint(0.0, value_mm, max(before.u_mm, behind.u_mm)), slope


def _slope(one: CurvePoint, other: CurvePoint) -> float:
    return (other.extrusion_mm - one.extrusion_mm) / (other.behind_mm - one.behind_mm)


def follow_up_part(
    found: FollowUp,
    baseline: Examination,
    follow_up: Examination,
    detectable: str = DETECTABLE_SOURCE,
) -> CasePart:
    """Give the follow-up as a part of the case.

    Parameters
    ----------
    found
        As `compared` returns it.
    baseline, follow_up
        What was compared.
    detectable
        Where the smallest detectable change comes from, in words.
    """
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
                f"follow-up minus baseline, {one.follow_up_mm:.2f} - {one.baseline_mm:.2f} mm",
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
    return CasePart("Follow-up", tuple(quantities), (*remarks, f"{detectable}.", *found.remarks))

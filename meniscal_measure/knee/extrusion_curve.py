"""The extrusion along the body of a meniscus, by place in the bone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.budget import SLICE_CHOICE
from meniscal_measure.caliper.reading import CompartmentReading
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.rigid_move import RigidMove

NEAR_ENOUGH = 0.6
"""A slice counts as the compared one up to this share of the distance between slices: half of it,
and the error of the registration."""


@dataclass(frozen=True)
class CurvePoint:
    """Extrusion on one slice: how far the slice lies behind the compared one in the bone, mm."""

    behind_mm: float
    extrusion_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False)
class BonePlace:
    """A slice of the baseline as a place in the bone."""

    point_mm: FloatArray
    """A point on it, LPS mm of the baseline."""
    normal: FloatArray
    """Across it."""

    def behind_mm(self, point_mm: FloatArray) -> float:
        """How far a point of the baseline lies behind it."""
        back = 1.0 if self.normal[1] > 0 else -1.0
        return back * float((point_mm - self.point_mm) @ self.normal)


def extrusion_curve(
    examination: KneeExamination,
    name: Compartment,
    place: BonePlace,
    home: RigidMove | None = None,
) -> tuple[CurvePoint, ...]:
    """List the extrusion of every measured slice of either visit, from front to back.

    `place` is the compared slice; `home` leads from the coordinates of the examination to those of
    the baseline, and is None for the baseline itself.
    """
    points = []
    for part in examination.slices:
        if (found := part.compartments.get(name)) is not None:
            edge = np.array(found.landmarks[Landmark.OUTER_EDGE].point_mm)
            behind_mm = place.behind_mm(edge if home is None else home(edge))
            points.append(curve_point(behind_mm, found))
    return tuple(sorted(points, key=lambda point: point.behind_mm))


def curve_point(behind_mm: float, found: CompartmentReading) -> CurvePoint:
    """Take an extrusion without what the choice of its slice adds to the uncertainty."""
    extrusion = found.extrusion
    choice_mm = sum(part.u_mm**2 for part in extrusion.budget if part.source == SLICE_CHOICE)
    u_mm = math.sqrt(max(extrusion.u_mm**2 - choice_mm, 0.0))
    return CurvePoint(behind_mm, extrusion.extrusion_mm, u_mm)


def read_at_place(
    curve: tuple[CurvePoint, ...], name: Compartment, spacing_mm: float
) -> tuple[CurvePoint, float]:
    """Read a curve at the compared slice: in proportion between the two slices about it.

    `curve` is that of the follow-up, from front to back, and `spacing_mm` the distance between its
    slices.

    Returns
    -------
    point, slope
        The extrusion there, and how it changes along the bone, mm per mm.

    Raises
    ------
    LandmarkError
        If nothing is measured about that slice.
    """
    if len(curve) == 1 or not curve[0].behind_mm <= 0 <= curve[-1].behind_mm:
        nearest = min(curve, key=lambda point: abs(point.behind_mm))
        if abs(nearest.behind_mm) > NEAR_ENOUGH * spacing_mm:
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

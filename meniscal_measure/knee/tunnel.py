"""The tunnel of a root repair: length, angles, bone above it, distance to other tunnels."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.named_landmarks import SpatialLandmark, distance_mm, measured_between
from meniscal_measure.knee.quantity import Basis, TracedQuantity
from meniscal_measure.knee.tibial_axes import TibialAxes

BRIDGE_AT_MM = 10.0
"""Distance from its upper end at which the bone above a tunnel is stated (common practice, no
source)."""


def tunnel_quantities(
    entry: SpatialLandmark, end: SpatialLandmark, axes: TibialAxes, diameter_mm: float | None
) -> Iterator[TracedQuantity]:
    """Describe a straight tunnel from the anteromedial cortex to where it opens on the plateau.

    Length, angles to the plateau and to the sagittal plane and, where the diameter is given, the
    bone above its wall.
    """
    where = (entry.where, end.where)
    for name, unit, model, extra, source in (
        ("tunnel length", "mm", distance_mm, 0.0, "from the entry on the cortex to the plateau"),
        ("tunnel angle to the plateau", "deg", lambda p: _angle_deg(p, axes.upward), axes.sd_deg,
         f"0° along the plateau, 90° along the tibia; {axes.source}"),
        ("tunnel angle to the sagittal plane", "deg", lambda p: np.abs(_angle_deg(p, axes.lateral)),
         axes.sd_deg, axes.source),
    ):  # fmt: skip
        found = measured_between(model, [entry, end])
        yield TracedQuantity(
            name, found.value, unit, math.hypot(found.u, extra), Basis.READER, where, source
        )
    if diameter_mm is not None:
        found = measured_between(
            lambda p: BRIDGE_AT_MM * np.sin(np.radians(_angle_deg(p, axes.upward))), [entry, end]
        )
        yield TracedQuantity(
            "bone between tunnel wall and plateau surface", found.value - diameter_mm / 2, "mm",
            math.hypot(found.u, BRIDGE_AT_MM * axes.sd_rad), Basis.READER, where,
            f"{BRIDGE_AT_MM:g} mm from the upper end, for a flat plateau along the tibial axes",
        )  # fmt: skip


def _angle_deg(points: FloatArray, axis: FloatArray) -> FloatArray:
    """Angle of the tunnel to the plane at a right angle to an axis, degrees."""
    along = points[1] - points[0]
    angle = np.degrees(np.arcsin(axis @ along / np.linalg.norm(along, axis=0)))
    return np.asarray(angle)


def distance_to_other_tunnel(
    tunnel: tuple[SpatialLandmark, SpatialLandmark],
    other: tuple[SpatialLandmark, SpatialLandmark],
    diameters_mm: tuple[float, float],
) -> TracedQuantity:
    """Measure the bone between the walls of two straight tunnels, mm; negative where they meet."""
    ends = [*tunnel, *other]
    found = measured_between(
        lambda p: np.array([segment_distance(*case) for case in np.moveaxis(p, -1, 0)]), ends
    )
    where = tuple(dict.fromkeys(end.where for end in ends))
    return TracedQuantity(
        "bone between the tunnels", found.value - sum(diameters_mm) / 2, "mm", found.u,
        Basis.READER, where, "smallest distance of the axes less both radii",
    )  # fmt: skip


def segment_distance(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> float:
    """Smallest distance of the segments ab and cd in space.

    Notes
    -----
    The distance of two points on them is a convex function of both parameters, so its minimum lies
    where the lines are nearest, if that is on both segments, or at an end of one of them.

    Examples
    --------
    >>> x, y, z = np.eye(3)
    >>> segment_distance(-x, x, z - y, z + y)
    1.0
    """
    candidates = [
        _point_to_segment(a, c, d), _point_to_segment(b, c, d),
        _point_to_segment(c, a, b), _point_to_segment(d, a, b),
    ]  # fmt: skip
    first, second, between = b - a, d - c, c - a
    system = np.array([[first @ first, -first @ second], [first @ second, -second @ second]])
    if abs(np.linalg.det(system)) > 1e-12 * (first @ first) * (second @ second):
        s, t = np.linalg.solve(system, [between @ first, between @ second])
        if 0 <= s <= 1 and 0 <= t <= 1:
            candidates.append(float(np.linalg.norm(between + t * second - s * first)))
    return min(candidates)


def _point_to_segment(point: FloatArray, start: FloatArray, end: FloatArray) -> float:
    along = end - start
    share = float(np.clip((point - start) @ along / max(float(along @ along), 1e-12), 0, 1))
    return float(np.linalg.norm(start + share * along - point))

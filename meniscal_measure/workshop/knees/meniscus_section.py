"""The section of a meniscus in the plane of a slice, and its outermost and innermost point.

The plane is walked from outside towards the meniscus, level by level, until the wall or the inner
edge is met: what a reader's eye does, to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.meniscus import Located, Meniscus
from meniscal_measure.workshop.knees.signed_distance import Field

FLOOR_TOLERANCE_MM = 1e-6
FLOOR_STEPS = 30
LEAST_SLOPE = 0.3
"""Secant steps towards a height above the under-surface, and the smallest slope accepted in one.
The height is only where the search starts."""

WALK_STEP_MM = 0.2
ZOOMS = 4
ZOOM_FACTOR = 6.0
ZOOM_LEVELS = np.linspace(-1.0, 1.0, 9)
ZOOM_WALK = np.linspace(-1.0, 1.0, 41)
FIRST_WALK_MM = 0.9
LEAST_WALK_MM = 0.05
"""Levels and places sampled around the best point so far, closer with every zoom."""

WALL_BAND = 0.5
"""Range of heights searched for the outermost point of the wall, as a fraction of its height."""

BEYOND_RIM_MM = 15.0
"""How far outside the rim the walk begins; further than any extrusion."""

BESIDE_CENTRE_MM = 1.0
"""Distance from the centre of the plateau at which the walk to the inner edge begins. A meniscus
that covers its plateau that far (discoid, or cut through a horn) shows no inner edge."""

Boundary: TypeAlias = Callable[[Located], Field]
"""Distance outside a boundary of the meniscus."""


@dataclass(frozen=True)
class Cut:
    """The plane of a slice in the coordinates of the anatomy: `normal . point = offset`."""

    normal: FloatArray
    offset: float

    def beyond(self, point: tuple[Field, Field, Field]) -> Field:
        """Signed distance of a point from the plane.

        Examples
        --------
        >>> cut = Cut(np.array([0.0, 1.0, 0.0]), 4.0)
        >>> cut.beyond((np.zeros(1), np.array([5.0]), np.zeros(1))).tolist()
        [1.0]
        """
        u, y, z = point
        distance: Field = self.normal[0] * u + self.normal[1] * y + self.normal[2] * z - self.offset
        return distance


@dataclass(frozen=True)
class MeniscusSection:
    """A meniscus cut by a plane. `out` counts mm of u outward from the centre of the plateau."""

    meniscus: Meniscus
    cut: Cut

    def outermost(self, axis: FloatArray) -> FloatArray | None:
        """Find the point of the wall furthest along the outward axis, shape (3,)."""
        walk = np.arange(self._furthest, BESIDE_CENTRE_MM, -WALK_STEP_MM)
        height = self.meniscus.shape.wall_height_mm
        return self._extreme(self.meniscus.beyond_wall, walk, axis, (height, WALL_BAND * height))

    def innermost(self, axis: FloatArray) -> FloatArray | None:
        """Find the point of the inner edge least far along the outward axis, shape (3,).

        None where the section goes on past the centre of the plateau, as it does in a horn. Where
        the plane grazes the inner edge (a radial tear, a knee at the ends of its ranges), a corner
        beside the rounded edge may lie up to 0.1 mm further in, found in 2 of 1285 menisci of a
        population, and 0.4 mm at the ends of all ranges.
        """
        walk = np.arange(BESIDE_CENTRE_MM, self._furthest, WALK_STEP_MM)
        height = 0.5 * self.meniscus.shape.tip_thickness_mm
        return self._extreme(self.meniscus.before_tip, walk, -axis, (height, height))

    @property
    def _furthest(self) -> float:
        return float(self.meniscus.plateau.outline.p_positive) + BEYOND_RIM_MM

    def _extreme(
        self, boundary: Boundary, walk: FloatArray, axis: FloatArray, band: tuple[float, float]
    ) -> FloatArray | None:
        """Find the point furthest along `axis` on a boundary met when walking along `walk`.

        `band` is the height above the under-surface and how far around it to look.
        """
        height, reach = np.array([band[0]]), band[1]
        met = _first_met(lambda out, h: boundary(self._at(self._on_floor(out, h))), walk, height)
        if not np.isfinite(met).all():
            return None
        best: FloatArray = self._on_floor(met, height)[0]
        direction, span = float(np.sign(walk[1] - walk[0])), FIRST_WALK_MM
        for _ in range(ZOOMS):
            levels = best[2] + reach * ZOOM_LEVELS
            out = self.meniscus.plateau.local(best[0], best[1])[0]
            near = out + direction * span * ZOOM_WALK
            met = _first_met(
                lambda out, z: boundary(self._at(self._on_level(out, z))), near, levels
            )
            off = np.abs(self._above(met, levels) - band[0])
            points = self._on_level(met, levels)[off <= band[1]]  # NaN, nothing met, is not
            if len(points):
                best = points[np.argmax(points @ axis)]
            reach, span = reach / ZOOM_FACTOR, max(span / ZOOM_FACTOR, LEAST_WALK_MM)
        return best

    def _on_level(self, out: FloatArray, z: FloatArray) -> FloatArray:
        """Return points of the plane at levels z, shape (..., 3)."""
        plateau, cut = self.meniscus.plateau, self.cut
        u = plateau.centre_u + plateau.outward * out
        y = (cut.offset - cut.normal[0] * u - cut.normal[2] * z) / cut.normal[1]
        return np.stack(np.broadcast_arrays(u, y, z), axis=-1)

    def _on_floor(self, out: FloatArray, h: FloatArray) -> FloatArray:
        """Return points of the plane at heights above the under-surface, by the secant method."""
        z = np.zeros(np.broadcast_shapes(out.shape, h.shape))
        step, slope = self._above(out, z) - h, np.ones_like(z)
        for _ in range(FLOOR_STEPS):
            z, before = z - step / slope, step
            step = self._above(out, z) - h
            np.divide(before - step, before / slope, out=slope, where=np.abs(before) > 1e-9)
            slope = np.maximum(slope, LEAST_SLOPE)
            if np.abs(step).max() < FLOOR_TOLERANCE_MM:
                break
        return self._on_level(out, z)

    def _above(self, out: FloatArray, z: FloatArray) -> Field:
        u, y, z = _axes(self._on_level(out, z))
        return z - self.meniscus.floor(u, y, self.meniscus.beyond_rim(u, y))

    def _at(self, points: FloatArray) -> Located:
        return self.meniscus.locate(*_axes(points))


def _first_met(
    field: Callable[[FloatArray, FloatArray], Field], walk: FloatArray, levels: FloatArray
) -> FloatArray:
    """Find where `field` first turns negative along a walk at each level; NaN where it does not.

    Between two samples it is taken as straight, twice: the places of a walk are so close at last
    that this is exact to far below a micrometre.
    """
    values = field(walk[None, :], levels[:, None])
    first = (values < 0).argmax(axis=1)
    rows = np.arange(len(levels))
    before, after = values[rows, first - 1], values[rows, first]
    near, far = walk[first - 1], walk[first]
    slope = np.where(first > 0, (after - before) / (far - near), 1.0)
    out = np.clip(near - before / slope, np.minimum(near, far), np.maximum(near, far))
    return np.where(first > 0, out - field(out, levels) / slope, np.nan)


def _axes(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    return points[..., 0], points[..., 1], points[..., 2]

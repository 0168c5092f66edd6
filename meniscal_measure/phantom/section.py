"""The section of a meniscus in the plane of a slice, and its outermost and innermost point.

The plane is walked from outside towards the meniscus, at a given height above its under-surface,
until the wall or the inner edge is met: what a reader's eye does, to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.phantom.meniscus import Meniscus
from meniscal_measure.phantom.shapes import Field

PLANE_TOLERANCE_MM = 1e-12
PLANE_STEPS = 80
"""Steps towards a point in the plane; each leaves a fraction of the error that grows with the
obliquity, so that a coronal plane needs one and a steep one many."""

WALK_STEP_MM = 0.2
CHORD_STEPS = 3
"""Each step leaves about a hundredth of the error or less, from a tenth of a mm on."""

ZOOMS = 4
ZOOM_FACTOR = 6.0
ZOOM_HEIGHTS = np.linspace(-1.0, 1.0, 9)
ZOOM_WALK = np.linspace(-1.0, 1.0, 13)
FIRST_WALK_MM = 0.9
LEAST_WALK_MM = 0.05
"""Heights and places looked at around the best so far, closer with every zoom."""

BEYOND_RIM_MM = 15.0
"""How far outside the rim the walk begins; further than any extrusion."""

BESIDE_CENTRE_MM = 0.5
"""Distance from the centre of the plateau at which the walk to the inner edge begins."""


@dataclass(frozen=True)
class Cut:
    """The plane of a slice in the coordinates of the anatomy: `normal . point = offset`."""

    normal: FloatArray
    offset: float

    def beyond(self, point: tuple[Field, Field, Field]) -> Field:
        """Signed distance of a point from the plane."""
        u, y, z = point
        return self.normal[0] * u + self.normal[1] * y + self.normal[2] * z - self.offset


@dataclass(frozen=True)
class MeniscusSection:
    """A meniscus cut by a plane. `out` counts mm of u outward from the centre of the plateau."""

    meniscus: Meniscus
    cut: Cut

    def outermost(self, axis: FloatArray) -> FloatArray | None:
        """Find the point of the wall furthest along the outward axis, shape (3,)."""
        furthest = float(self.meniscus.plateau.outline.p_positive) + BEYOND_RIM_MM
        walk = np.arange(furthest, BESIDE_CENTRE_MM, -WALK_STEP_MM)
        height = float(self.meniscus.wall_height)
        return self._extreme(self._beyond_wall, walk, axis, height=height, reach=0.5 * height)

    def innermost(self, axis: FloatArray) -> FloatArray | None:
        """Find the point of the inner edge least far along the outward axis, shape (3,).

        None where the section goes on past the centre of the plateau, as it does in a horn.
        """
        furthest = float(self.meniscus.plateau.outline.p_positive) + BEYOND_RIM_MM
        walk = np.arange(BESIDE_CENTRE_MM, furthest, WALK_STEP_MM)
        height = 0.5 * float(self.meniscus.tip)
        return self._extreme(self._before_tip, walk, -axis, height=height, reach=0.9 * height)

    def point(self, out: FloatArray, h: FloatArray) -> FloatArray:
        """Give points of the plane at heights above the under-surface, shape (..., 3)."""
        meniscus, cut = self.meniscus, self.cut
        u = meniscus.plateau.centre_u + meniscus.plateau.outward * out
        y = (cut.offset - cut.normal[0] * u) / cut.normal[1]
        for _ in range(PLANE_STEPS):
            beyond = meniscus.tibia.beyond_rim(meniscus.plateau, *meniscus.plateau.local(u, y))
            z = meniscus.floor(u, y, beyond) + h
            miss = cut.beyond((u, y, z))
            y = y - miss / cut.normal[1]
            if np.abs(miss).max() < PLANE_TOLERANCE_MM:
                break
        return np.stack(np.broadcast_arrays(u, y, z), axis=-1)

    def _beyond_wall(self, out: FloatArray, h: FloatArray) -> Field:
        return self.meniscus.beyond_wall(self.meniscus.locate(*_axes(self.point(out, h))))

    def _before_tip(self, out: FloatArray, h: FloatArray) -> Field:
        return self.meniscus.before_tip(self.meniscus.locate(*_axes(self.point(out, h))))

    def _extreme(
        self,
        boundary: Callable[[FloatArray, FloatArray], Field],
        walk: FloatArray,
        axis: FloatArray,
        *,
        height: float,
        reach: float,
    ) -> FloatArray | None:
        """Find the point furthest along `axis` on a boundary met when walking along `walk`."""
        best = self._met(boundary, walk, np.array([height]))
        if not np.isfinite(best).all():
            return None
        direction, span = float(np.sign(walk[1] - walk[0])), FIRST_WALK_MM
        out, point = float(best[0]), self.point(best, np.array([height]))[0]
        for _ in range(ZOOMS):
            heights = height + reach * ZOOM_HEIGHTS
            met = self._met(boundary, out + direction * span * ZOOM_WALK, heights)
            points = self.point(np.where(np.isfinite(met), met, out), heights)
            along = np.where(np.isfinite(met), points @ axis, -np.inf)
            if np.isfinite(along).any():
                top = int(np.argmax(along))
                out, height, point = float(met[top]), float(heights[top]), points[top]
            reach, span = reach / ZOOM_FACTOR, max(span / ZOOM_FACTOR, LEAST_WALK_MM)
        return np.asarray(point, dtype=np.float64)

    def _met(
        self,
        boundary: Callable[[FloatArray, FloatArray], Field],
        walk: FloatArray,
        heights: FloatArray,
    ) -> FloatArray:
        """Find where the boundary is first passed at each height; NaN where it is not."""
        values = boundary(walk[None, :], heights[:, None])
        inside = values < 0
        first = inside.argmax(axis=1)
        rows = np.arange(len(heights))
        before, after = values[rows, first - 1], values[rows, first]
        near, far = walk[first - 1], walk[first]
        slope = np.where(first > 0, (after - before) / (far - near), 1.0)
        out = near
        for _ in range(CHORD_STEPS):
            out = np.clip(out - before / slope, np.minimum(near, far), np.maximum(near, far))
            before = boundary(out, heights)
        return np.where(first > 0, out - before / slope, np.nan)


def _axes(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    return points[..., 0], points[..., 1], points[..., 2]

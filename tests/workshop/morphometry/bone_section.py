"""One coronal section through femur and tibia: outlines, and heights above the rim line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from skimage import measure

FloatArray: TypeAlias = NDArray[np.float64]


class Bones(NamedTuple):
    """Signed fields of the bones at points, negative inside, steepness about 1 per mm."""

    femur: NDArray[np.floating]
    tibia: NDArray[np.floating]
    tibial_cartilage: NDArray[np.floating]
    """May include the bone below; only where it ends matters."""
    femoral_cartilage: NDArray[np.floating]


BonesAt: TypeAlias = Callable[
    [NDArray[np.floating], NDArray[np.floating], NDArray[np.floating]], Bones
]
"""Bones at points `u` (towards medial), `y` (backwards), `z` (upwards) in mm, any shape.

The origin lies near the middle of the plateau.
"""

STEP_MM = 0.25
"""Raster of a section; crossings are interpolated between its samples."""

ACROSS_MM, UP_MM = (-60.0, 52.0), (-24.0, 44.0)
"""Extent of a section about the apex of the medial spine and the middle of the plateau."""

FRAME_STEPS = 3
"""Turns after which the rim line is level to better than 0.01 degrees."""


@dataclass(frozen=True)
class Plane:
    """A coronal plane: `turn` about the long axis, through (u, y) in the knee's frame."""

    u: float
    y: float
    turn: float

    def points(
        self, across: NDArray[np.floating], up: NDArray[np.floating]
    ) -> tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.floating]]:
        """Points of the plane in the knee's frame.

        Examples
        --------
        >>> Plane(1.0, 2.0, 0.0).points(np.array([3.0]), np.array([4.0]))
        (array([4.]), array([2.]), array([4.]))
        """
        return self.u + np.cos(self.turn) * across, self.y + np.sin(self.turn) * across, up


@dataclass(frozen=True)
class BoneSection:
    """A coronal section turned so that the line from rim to rim is level and at height 0.

    `across` counts from the middle between the rims towards medial; heights are those of the
    surfaces in each column, NaN where a column has none.
    """

    across: FloatArray
    tibia: FloatArray
    tibial_cartilage: FloatArray
    femur: FloatArray
    femoral_cartilage: FloatArray
    tibia_outline: FloatArray
    femur_outline: FloatArray
    half_width: float
    tilt_deg: float
    """Turn of the rim line against the level, positive when the lateral rim is higher."""
    apex: float
    """Where the apex of the medial spine, or the plane through it, lies."""

    def height(self, surface: FloatArray, across: float) -> float:
        """Height of one of the surfaces at a place."""
        return float(np.interp(across, self.across, surface))


def cut(bones_at: BonesAt, plane: Plane) -> BoneSection:
    """Cut a knee and level the section on its rims."""
    coarse_across, coarse_up = _raster(2 * STEP_MM)
    field = np.asarray(bones_at(*plane.points(coarse_across, coarse_up)).tibia, np.float64)
    outline = _outline(field, coarse_across[0], coarse_up[:, 0])
    angle, middle = _rim_line(outline)
    across, up = _raster(STEP_MM)
    cosine, sine = np.cos(angle), np.sin(angle)
    shifted = across - middle[0]
    bones = bones_at(
        *plane.points(
            middle[0] + cosine * shifted - sine * up, middle[1] + sine * shifted + cosine * up
        )
    )
    columns, rows = across[0] - middle[0], up[:, 0]
    tibia, femur = (np.asarray(bone, np.float64) for bone in (bones.tibia, bones.femur))
    tibia_outline = _outline(tibia, columns, rows)
    medial, lateral = (rim_of(tibia_outline, side) for side in (1.0, -1.0))
    level, centre = 0.5 * (medial[1] + lateral[1]), 0.5 * (medial[0] + lateral[0])
    columns, rows = columns - centre, rows - level
    return BoneSection(
        across=columns,
        tibia=_surface(tibia, rows, from_above=True),
        tibial_cartilage=_surface(np.minimum(tibia, bones.tibial_cartilage), rows, from_above=True),
        femur=_surface(femur, rows, from_above=False),
        femoral_cartilage=_surface(
            np.minimum(femur, bones.femoral_cartilage), rows, from_above=False
        ),
        tibia_outline=tibia_outline - [centre, level],
        femur_outline=_outline(femur, columns, rows),
        half_width=0.5 * (medial[0] - lateral[0]),
        tilt_deg=float(np.degrees(-angle)),
        apex=float(-middle[0] * cosine - centre),
    )


def rim_of(outline: FloatArray, side: float) -> FloatArray:
    """Find the rim: furthest along the diagonal outward and up (`side` 1 medial, -1 lateral).

    Examples
    --------
    >>> rim_of(np.array([[0.0, 0.0], [30.0, 0.0], [30.0, -20.0]]), 1.0).tolist()
    [30.0, 0.0]
    """
    found: FloatArray = outline[np.argmax(side * outline[:, 0] + outline[:, 1])]
    return found


def _raster(step: float) -> tuple[FloatArray, FloatArray]:
    across, up = np.meshgrid(np.arange(*ACROSS_MM, step), np.arange(*UP_MM, step))
    return across, up


def _rim_line(outline: FloatArray) -> tuple[float, FloatArray]:
    """Angle of the line through both rims and its middle; the rims depend on the angle."""
    angle, middle = 0.0, np.zeros(2)
    for _ in range(FRAME_STEPS):
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        level = outline @ turn.T
        medial, lateral = (rim_of(level, side) @ turn for side in (1.0, -1.0))
        angle = float(np.arctan2(*(medial - lateral)[::-1]))
        middle = 0.5 * (medial + lateral)
    return angle, middle


def _outline(field: FloatArray, columns: FloatArray, rows: FloatArray) -> FloatArray:
    """Outlines of a field, one after another: points (across, up)."""
    found = np.concatenate(measure.find_contours(field, 0.0))  # type: ignore[no-untyped-call]
    return np.stack(
        [
            columns[0] + found[:, 1] * (columns[1] - columns[0]),
            rows[0] + found[:, 0] * (rows[1] - rows[0]),
        ],
        axis=1,
    )


def _surface(field: NDArray[np.floating], rows: FloatArray, *, from_above: bool) -> FloatArray:
    """Height at which each column first enters a solid, coming from above or from below."""
    if not from_above:
        return -_surface(field[::-1], -rows[::-1], from_above=True)
    inside = field[::-1] < 0
    first = inside.argmax(axis=0)
    columns = np.arange(field.shape[1])
    here = field[::-1][first, columns]
    before = field[::-1][np.maximum(first - 1, 0), columns]
    share = here / np.where(first > 0, here - before, 1.0)
    height = rows[::-1][first] + share * (rows[1] - rows[0])
    found: FloatArray = np.where(inside.any(axis=0) & (first > 0), height, np.nan)
    return found

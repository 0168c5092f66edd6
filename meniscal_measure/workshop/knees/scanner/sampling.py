"""Where the slices of a stack lie in the patient: planes, obliquity, spacing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial.transform import Rotation

from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, as_vector


class StackPlane(StrEnum):
    """Plane of a stack before rotation."""

    CORONAL = "coronal"
    SAGITTAL = "sagittal"
    AXIAL = "axial"


DISPLAY_AXES: Mapping[StackPlane, tuple[Vector, Vector]] = {
    StackPlane.CORONAL: ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0)),
    StackPlane.SAGITTAL: ((0.0, 1.0, 0.0), (0.0, 0.0, -1.0)),
    StackPlane.AXIAL: ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
}
"""Row and column direction of each plane as radiologists view it (common practice, no source)."""


@dataclass(frozen=True)
class StackPlan:
    """A stack of parallel slices."""

    plane: StackPlane
    """Before rotation."""
    slices: int
    rows: int
    columns: int
    row_spacing_mm: float
    column_spacing_mm: float
    thickness_mm: float
    spacing_mm: float
    """Distance between slice centres."""
    centre_mm: Vector = (0.0, 0.0, 0.0)
    """Patient position of the middle of the stack, LPS mm."""
    rotation_deg: Vector = (0.0, 0.0, 0.0)
    """Rotations about the patient x, y and z axis, in this order."""


def stack_grids(plan: StackPlan) -> tuple[PixelGrid, ...]:
    """Lay out the slices of a stack, ordered along their normal.

    Examples
    --------
    >>> plan = StackPlan(StackPlane.CORONAL, 3, 101, 101, 0.5, 0.5, 3.0, 3.3)
    >>> [grid.position_mm for grid in stack_grids(plan)]
    [(-25.0, -3.3, 25.0), (-25.0, 0.0, 25.0), (-25.0, 3.3, 25.0)]
    """
    turn = Rotation.from_euler("xyz", plan.rotation_deg, degrees=True)
    along_row, along_column = (turn.apply(axis) for axis in DISPLAY_AXES[plan.plane])
    normal = np.cross(along_row, along_column)
    corner = (
        np.array(plan.centre_mm)
        - along_row * plan.column_spacing_mm * (plan.columns - 1) / 2
        - along_column * plan.row_spacing_mm * (plan.rows - 1) / 2
    )
    steps_mm = (np.arange(plan.slices) - (plan.slices - 1) / 2) * plan.spacing_mm
    return tuple(
        PixelGrid(
            position_mm=as_vector(corner + step_mm * normal),
            row_cosines=as_vector(along_row),
            column_cosines=as_vector(along_column),
            row_spacing_mm=plan.row_spacing_mm,
            column_spacing_mm=plan.column_spacing_mm,
            rows=plan.rows,
            columns=plan.columns,
        )
        for step_mm in steps_mm
    )


def pixel_points(grid: PixelGrid) -> FloatArray:
    """Patient position of every pixel centre, shape (rows, columns, 3), LPS mm.

    Examples
    --------
    >>> pixel_points(PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 2, 2))[1, 1].tolist()
    [0.4, 0.0, -0.5]
    """
    column, row = np.meshgrid(np.arange(grid.columns), np.arange(grid.rows))
    return grid.to_patient(np.stack([column, row], axis=-1))

"""Where the marks of a reading lie on the slice, in millimetres of the image plane.

Plane coordinates: x along the row, y along the column (downwards), mm from the centre of the upper
left pixel. No drawing here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.reading import CompartmentReading, SliceReading
from meniscal_measure.geometry import FloatArray, PixelGrid, unit_vector

LINE_REACH_MM = 4.0
"""How far the rim line and the outer line run past the points they go through."""


@dataclass(frozen=True, eq=False)
class Marks:
    """Lines of one compartment, each shape (2, 2): two points `[x, y]` in plane mm."""

    rim_line: FloatArray
    """Perpendicular to the measuring axis, through the plateau rim."""
    outer_line: FloatArray
    """Parallel to it, through the outer edge of the meniscus."""
    caliper: FloatArray
    """Along the axis, from the rim line to the outer edge."""
    axis: FloatArray
    """Measuring direction in the plane, outward, unit length, shape (2,)."""
    points: dict[Landmark, FloatArray]
    """The landmarks, each shape (2,)."""

    @property
    def on_image_left(self) -> bool:
        """Whether the compartment lies on the left of the image: there outward is to the left.

        Examples
        --------
        >>> line = np.array([[9.0, 9.0], [9.0, 2.0]])
        >>> Marks(line, line, line, np.array([-1.0, 0.0]), {}).on_image_left
        True
        """
        return bool(self.axis[0] < 0)

    @property
    def flag_point(self) -> FloatArray:
        """Upper end of the outer line, where the flag marker and the leader line sit.

        Examples
        --------
        >>> line = np.array([[9.0, 9.0], [9.0, 2.0]])
        >>> Marks(line, line, line, np.array([-1.0, 0.0]), {}).flag_point.tolist()
        [9.0, 2.0]
        """
        upper: FloatArray = self.outer_line[1]
        return upper


def plane_mm(grid: PixelGrid, point_mm: ArrayLike) -> FloatArray:
    """Plane coordinates of patient points, shape (..., 3) to (..., 2).

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250)
    >>> plane_mm(grid, [40.0, 0.0, -10.0]).round(9).tolist()
    [40.0, 10.0]
    """
    spacing_mm = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    return np.asarray(grid.to_pixel(point_mm) * spacing_mm, dtype=np.float64)


def plane_extent_mm(grid: PixelGrid) -> tuple[float, float, float, float]:
    """Left, right, bottom and top border of the image in plane mm.

    Examples
    --------
    >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250)
    >>> [round(border, 2) for border in plane_extent_mm(grid)]
    [-0.2, 99.8, 99.75, -0.25]
    """
    x, y = grid.column_spacing_mm, grid.row_spacing_mm
    return -x / 2, (grid.columns - 0.5) * x, (grid.rows - 0.5) * y, -y / 2


def compartment_marks(reading: CompartmentReading, grid: PixelGrid) -> Marks:
    """Lay out rim line, outer line and caliper of one compartment.

    Examples
    --------
    >>> marks = compartment_marks(reading.medial, images.grids[3])
    >>> round(float(np.linalg.norm(marks.caliper[1] - marks.caliper[0])), 6)
    4.5
    """
    points = {name: plane_mm(grid, mark.point_mm) for name, mark in reading.landmarks.items()}
    rim, outer = points[Landmark.RIM], points[Landmark.OUTER_EDGE]
    direction = np.asarray(reading.axis)
    axis = unit_vector([direction @ grid.row_direction, direction @ grid.column_direction])
    across = np.array([-axis[1], axis[0]])
    across = across if across[1] < 0 else -across  # upwards
    foot = outer - reading.extrusion.extrusion_mm * axis
    return Marks(
        rim_line=_line_over(np.stack([rim, foot]), across),
        outer_line=_line_over(np.stack([outer, outer]), across),
        caliper=np.stack([foot, outer]),
        axis=axis,
        points=points,
    )


def slice_marks(measured: SliceReading, grid: PixelGrid) -> dict[Compartment, Marks]:
    """Lay out the marks of every compartment measured on a slice.

    Examples
    --------
    >>> [str(name) for name in slice_marks(reading.measured, images.grids[3])]
    ['lateral', 'medial']
    """
    return {
        name: compartment_marks(compartment, grid)
        for name, compartment in measured.compartments.items()
    }


def _line_over(points: FloatArray, direction: FloatArray) -> FloatArray:
    along = (points - points[0]) @ direction
    ends = np.array([along.min() - LINE_REACH_MM, along.max() + LINE_REACH_MM])
    return np.asarray(points[0] + np.multiply.outer(ends, direction), dtype=np.float64)

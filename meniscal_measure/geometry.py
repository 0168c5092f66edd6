"""Pixel and patient coordinates of one image plane, and lengths in millimetres.

Everything is in LPS patient space (mm). Pixel coordinates are `[column, row]` with pixel
centres at whole numbers, the upper left pixel being `[0, 0]`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.errors import GeometryError

Vector = tuple[float, float, float]
FloatArray = NDArray[np.float64]

ORTHONORMAL_TOLERANCE = 1e-3
"""Largest accepted departure of the direction cosines from unit length and right angles.

Archives write the cosines with as few as four decimals; a larger departure bends lengths by
more than a tenth of a per cent and is refused.
"""

LEAST_LETTERED = 0.1
"""Smallest component of a direction, as a fraction of its length, that is named by a letter."""


@dataclass(frozen=True)
class PixelGrid:
    """The plane of one slice in patient space.

    Raises
    ------
    GeometryError
        If a spacing is not a positive number, a coordinate is not finite, or the directions are
        not unit vectors at a right angle.
    """

    position_mm: Vector
    """Image Position (Patient): centre of the upper left pixel, LPS mm."""
    row_cosines: Vector
    """Direction in which the column index grows, first triple of Image Orientation (Patient)."""
    column_cosines: Vector
    """Direction in which the row index grows, second triple."""
    row_spacing_mm: float
    """Distance between the centres of neighbouring rows, first value of Pixel Spacing."""
    column_spacing_mm: float
    """Distance between the centres of neighbouring columns, second value of Pixel Spacing."""
    rows: int
    columns: int

    def __post_init__(self) -> None:
        for spacing_mm in (self.row_spacing_mm, self.column_spacing_mm):
            if not (math.isfinite(spacing_mm) and spacing_mm > 0):
                raise GeometryError(
                    f"PixelSpacing is {self.row_spacing_mm}\\{self.column_spacing_mm}; both values"
                    " must be positive millimetres. Nothing can be measured without it: ask for the"
                    " series to be exported again from the scanner or the archive."
                )
        if not all(math.isfinite(value) for value in self.position_mm):
            raise GeometryError(
                f"ImagePositionPatient is {self.position_mm}; it must be three finite numbers."
                " Ask for the series to be exported again from the scanner or the archive."
            )
        self._check_directions()

    def _check_directions(self) -> None:
        x, y = self.row_cosines, self.column_cosines  # plain numbers: listing makes many grids
        departures = (abs(_dot(x, x) - 1.0), abs(_dot(y, y) - 1.0), abs(_dot(x, y)))
        # written so that NaN is refused too, in whichever place it stands
        if not all(departure <= ORTHONORMAL_TOLERANCE for departure in departures):
            raise GeometryError(
                f"ImageOrientationPatient is {[*self.row_cosines, *self.column_cosines]}; its two"
                " directions must be unit vectors at a right angle. Sheared or distorted images"
                " cannot be measured: ask for the original images."
            )

    @cached_property
    def row_direction(self) -> FloatArray:
        """Unit vector along which the column index grows, shape (3,)."""
        return _unit(self.row_cosines)

    @cached_property
    def column_direction(self) -> FloatArray:
        """Unit vector along which the row index grows, shape (3,)."""
        return _unit(self.column_cosines)

    @cached_property
    def normal(self) -> FloatArray:
        """Slice normal, row direction x column direction, shape (3,).

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> orientation_letters(grid.normal)  # coronal, stored from the front to the back
        'P'
        """
        return _unit(_cross(self.row_direction, self.column_direction))

    @cached_property
    def plane_basis(self) -> FloatArray:
        """Orthonormal basis of the plane as rows, shape (2, 3), exact where cosines are rounded.

        The first is the row direction, the second at a right angle to it and the normal.

        Examples
        --------
        >>> PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 200, 250).plane_basis.tolist()
        [[1.0, 0.0, 0.0], [0.0, 0.0, -1.0]]
        """
        return np.stack([self.row_direction, _cross(self.normal, self.row_direction)])

    @cached_property
    def _pixels_per_mm(self) -> FloatArray:
        """Takes an offset in the patient, mm, to columns and rows, shape (3, 2)."""
        along_row, along_column = self.row_direction, self.column_direction
        # Cosines rounded by an archive are not quite at a right angle; undo what they share.
        skew = float(along_row @ along_column)
        columns = (along_row - skew * along_column) / self.column_spacing_mm
        rows = (along_column - skew * along_row) / self.row_spacing_mm
        return np.stack([columns, rows], axis=-1) / (1 - skew**2)

    @cached_property
    def origin(self) -> FloatArray:
        """Image Position (Patient) as an array, shape (3,), mm."""
        return np.array(self.position_mm, dtype=np.float64)

    @cached_property
    def centre(self) -> FloatArray:
        """Patient position of the middle of the image, shape (3,), mm.

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> grid.centre.tolist()
        [-19.0, 10.0, -3.75]
        """
        return self.to_patient([(self.columns - 1) / 2, (self.rows - 1) / 2])

    def to_patient(self, pixel: ArrayLike) -> FloatArray:
        """Map pixels `[column, row]`, shape (..., 2), to patient space, LPS mm, shape (..., 3).

        DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1.

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> grid.to_patient([100, 50]).tolist()
        [-30.0, 10.0, 35.0]
        """
        pixels = np.asarray(pixel, dtype=np.float64)
        column, row = pixels[..., 0], pixels[..., 1]
        along_row = np.multiply.outer(column * self.column_spacing_mm, self.row_direction)
        along_column = np.multiply.outer(row * self.row_spacing_mm, self.column_direction)
        return np.asarray(self.origin + along_row + along_column, dtype=np.float64)

    def to_pixel(self, point_mm: ArrayLike) -> FloatArray:
        """Map patient points, shape (..., 3), to pixels `[column, row]`, shape (..., 2).

        What lies off the plane is dropped.

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> grid.to_pixel([-30, 11, 35]).round(9).tolist()
        [100.0, 50.0]
        """
        offset = np.asarray(point_mm, dtype=np.float64) - self.origin
        return np.asarray(offset @ self._pixels_per_mm, dtype=np.float64)

    def off_plane_mm(self, point_mm: ArrayLike) -> FloatArray:
        """Signed distance of patient points from the plane along its normal, mm.

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> float(grid.off_plane_mm([-30, 11, 35]))
        1.0
        """
        offset = np.asarray(point_mm, dtype=np.float64) - self.origin
        return np.asarray(offset @ self.normal, dtype=np.float64)

    def contains(self, pixel: Sequence[float]) -> bool:
        """Whether `[column, row]` lies on the image, its half-pixel border included.

        Examples
        --------
        >>> grid = PixelGrid((-70, 10, 60), (1, 0, 0), (0, 0, -1), 0.5, 0.4, 256, 256)
        >>> grid.contains([255.5, 0]), grid.contains([255.6, 0])
        (True, False)
        """
        column, row = pixel
        return -0.5 <= column <= self.columns - 0.5 and -0.5 <= row <= self.rows - 0.5


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()  # six times as fast as that of numpy
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def _unit(vector: ArrayLike) -> FloatArray:
    array = np.asarray(vector, dtype=np.float64)
    return array / np.linalg.norm(array)


def unit_vector(vector: ArrayLike) -> FloatArray:
    """Scale a vector to unit length.

    Raises
    ------
    GeometryError
        If the vector has no length, so that no direction can be taken from it.

    Examples
    --------
    >>> unit_vector([3, 0, -4]).tolist()
    [0.6, 0.0, -0.8]
    """
    array = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(array))
    if not (math.isfinite(length) and length > 0):
        raise GeometryError("Two points that should span a line coincide; place them apart.")
    return array / length


def as_vector(array: ArrayLike) -> Vector:
    """Turn three numbers into a plain tuple, for frozen records.

    Examples
    --------
    >>> as_vector(np.array([1, 2, 3]))
    (1.0, 2.0, 3.0)
    """
    x, y, z = (float(value) for value in np.asarray(array, dtype=np.float64))
    return x, y, z


def orientation_letters(direction: ArrayLike) -> str:
    """Name a direction in LPS space, shape (3,), with the letters of DICOM Patient Orientation.

    Letters from L/R, P/A, H/F, the largest component first (DICOM PS3.3 C.7.6.1.1.1); a component
    shorter than `LEAST_LETTERED` of the direction gets none.

    Examples
    --------
    >>> orientation_letters([1, 0, 0])
    'L'
    >>> orientation_letters([0, 0.3, -0.95])
    'FP'
    """
    unit = unit_vector(direction)
    pairs = (("L", "R"), ("P", "A"), ("H", "F"))
    order = sorted(range(3), key=lambda axis: -abs(unit[axis]))
    return "".join(
        pairs[axis][0] if unit[axis] > 0 else pairs[axis][1]
        for axis in order
        if abs(unit[axis]) > LEAST_LETTERED
    )


def graphic_coordinates(pixel: ArrayLike) -> FloatArray:
    """Shift pixel-centre coordinates to the corner-based ones of DICOM graphics.

    In Graphic Data the corner of the upper left pixel is (0, 0), so its centre is (0.5, 0.5)
    (DICOM PS3.3 C.18.6.1.1).

    Examples
    --------
    >>> graphic_coordinates([0, 0]).tolist()
    [0.5, 0.5]
    """
    return np.asarray(pixel, dtype=np.float64) + 0.5

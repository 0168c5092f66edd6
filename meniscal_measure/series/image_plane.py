"""Where an image lies in the patient, and its size: geometry as a header gives it, checked."""

from __future__ import annotations

from meniscal_measure.errors import GeometryError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.attributes import Header

PIXEL_SIZE_RANGE_MM = (0.02, 10.0)
"""Pixel sizes that can be those of an MR image of a knee, localizers and research scanners
included; beyond it the unit is wrong (common practice, no source)."""

MOST_PIXELS = 4096
"""Most rows or columns: several times those of any MR image (common practice, no source)."""

POSITION_LIMIT_MM = 5000.0
"""No part of a patient lies further from the origin of a scanner: its tunnel and table together are
under 5 m long (common practice, no source). Beyond it the arithmetic would lose millimetres."""


def grid_of(header: Header) -> PixelGrid:
    """Read the plane of an image.

    Raises
    ------
    GeometryError
        If an attribute is missing, or no scanner makes such an image.
    """
    rows, columns = image_size(header, most=MOST_PIXELS)
    spacing = header.required("PixelSpacing", 2)
    _check_pixel_size(spacing)
    orientation = header.required("ImageOrientationPatient", 6)
    position = header.required("ImagePositionPatient", 3)
    _check_position(position)
    return PixelGrid(
        position_mm=(position[0], position[1], position[2]),
        row_cosines=(orientation[0], orientation[1], orientation[2]),
        column_cosines=(orientation[3], orientation[4], orientation[5]),
        row_spacing_mm=spacing[0],
        column_spacing_mm=spacing[1],
        rows=rows,
        columns=columns,
    )


def image_size(header: Header, *, most: int) -> tuple[int, int]:
    """Read the rows and columns of an image.

    Raises
    ------
    GeometryError
        If one is missing, or not between 1 and `most`.
    """
    rows, columns = (int(header.required(keyword, 1)[0]) for keyword in ("Rows", "Columns"))
    if not (1 <= rows <= most and 1 <= columns <= most):
        raise GeometryError(
            f"Rows is {rows} and Columns {columns}; an image to be measured has 1 to {most}"
            " of each. Copy the file again from its source."
        )
    return rows, columns


def _check_pixel_size(spacing_mm: tuple[float, ...]) -> None:
    """Refuse a size no knee image has; what is not a length at all, the grid refuses."""
    least_mm, most_mm = PIXEL_SIZE_RANGE_MM
    if any(value > 0 and not least_mm <= value <= most_mm for value in spacing_mm):
        raise GeometryError(
            f"PixelSpacing is {spacing_mm[0]:g}\\{spacing_mm[1]:g}, outside {least_mm:g} to"
            f" {most_mm:g} mm: it cannot be in millimetres. Ask for the series to be exported again"
            " from the scanner or the archive."
        )


def _check_position(position_mm: tuple[float, ...]) -> None:
    if not all(abs(value) <= POSITION_LIMIT_MM for value in position_mm):
        shown = "\\".join(f"{value:g}" for value in position_mm)
        raise GeometryError(
            f"ImagePositionPatient is {shown}, further than {POSITION_LIMIT_MM:g} mm from the"
            " origin, where no scanner reaches. Ask for the series to be exported again from the"
            " scanner or the archive."
        )

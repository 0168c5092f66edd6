"""The series of the other planes, and where the coronal slices cut them."""

from __future__ import annotations

import numpy as np

from meniscal_measure.anatomy import Plane
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.series.model import Stack, Study

Segment = tuple[tuple[float, float], tuple[float, float]]
"""Both ends as `[column, row]`."""

PARALLEL_TOLERANCE = 0.1
"""Planes whose normals enclose an angle with a smaller sine cut in no useful line."""


def other_planes(study: Study, coronal: Stack) -> tuple[Stack, ...]:
    """Find the largest sagittal and axial stacks in the frame of reference of the coronal one.

    Positions of different stacks may only be related within one frame of reference (DICOM PS3.3
    C.7.4.1), so stacks without one are left out.
    """
    reference = coronal.identity.frame_of_reference_uid
    found: dict[Plane, Stack] = {}
    for stack in study.stacks:
        related = reference and stack.identity.frame_of_reference_uid == reference
        if not related or stack.plane not in (Plane.SAGITTAL, Plane.AXIAL):
            continue
        best = found.get(stack.plane)
        if best is None or len(stack.frames) > len(best.frames):
            found[stack.plane] = stack
    return tuple(found[plane] for plane in sorted(found))


def cut_line(image: PixelGrid, plane: PixelGrid) -> Segment | None:
    """Find the line in which a plane cuts an image.

    Parameters
    ----------
    image
        Image on which the line is drawn.
    plane
        The cutting slice.

    Returns
    -------
    Segment or None
        Ends on the border of the image; None where the two are nearly parallel or do not meet.
    """
    if np.linalg.norm(np.cross(image.normal, plane.normal)) < PARALLEL_TOLERANCE:
        return None
    per_column = image.column_spacing_mm * float(image.row_direction @ plane.normal)
    per_row = image.row_spacing_mm * float(image.column_direction @ plane.normal)
    at_origin = float(plane.off_plane_mm(image.origin))
    normal = np.array([per_column, per_row])
    return _clipped(normal, at_origin, image)


def _clipped(normal: FloatArray, at_origin: float, image: PixelGrid) -> Segment | None:
    """Part of the line `normal . [column, row] + at_origin = 0` that lies on the image."""
    start = -at_origin * normal / (normal @ normal)
    along = np.array([-normal[1], normal[0]]) / np.linalg.norm(normal)
    first, last = -np.inf, np.inf
    for axis, size in enumerate((image.columns, image.rows)):
        low, high = -0.5 - start[axis], size - 0.5 - start[axis]
        if abs(along[axis]) < np.finfo(float).eps:
            if low > 0 or high < 0:
                return None
            continue
        ends = sorted((low / along[axis], high / along[axis]))
        first, last = max(first, ends[0]), min(last, ends[1])
    if not first < last:
        return None
    return _pair(start + first * along), _pair(start + last * along)


def _pair(point: FloatArray) -> tuple[float, float]:
    column, row = (float(value) for value in point)
    return column, row

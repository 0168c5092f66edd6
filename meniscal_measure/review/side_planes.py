"""The series of the other planes, and where the coronal slices cut them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Plane
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.series.model import Stack, Study

Segment = tuple[tuple[float, float], tuple[float, float]]
"""Both ends as `[column, row]`."""

PARALLEL_TOLERANCE = 0.1
"""Planes whose normals enclose an angle with a smaller sine cut in no useful line."""


@dataclass(frozen=True)
class SidePlane:
    """A stack of another plane of the study."""

    stack: Stack
    is_linked: bool
    """Whether its positions are those of the coronal stack: only within one frame of reference may
    positions of different stacks be related (DICOM PS3.3 C.7.4.1)."""


def shares_frame(one: Stack, other: Stack) -> bool:
    """Whether positions of two stacks may be related."""
    uid = one.identity.frame_of_reference_uid
    return bool(uid) and uid == other.identity.frame_of_reference_uid


def side_planes(study: Study, coronal: Stack) -> tuple[SidePlane, ...]:
    """Find the largest sagittal and the largest axial stack, linked ones first."""
    found: dict[Plane, SidePlane] = {}
    for stack in study.stacks:
        if stack.plane not in (Plane.SAGITTAL, Plane.AXIAL):
            continue
        this = SidePlane(stack, shares_frame(stack, coronal))
        found[stack.plane] = max(found.get(stack.plane, this), this, key=_rank)
    return tuple(found[plane] for plane in sorted(found))


def _rank(side: SidePlane) -> tuple[bool, int]:
    return side.is_linked, len(side.stack.frames)


def cut_line(image: PixelGrid, plane: PixelGrid) -> Segment | None:
    """Find the line in which a plane cuts an image, from border to border.

    None where the two are nearly parallel or do not meet.

    Examples
    --------
    >>> sagittal = PixelGrid((0, 0, 0), (0, 1, 0), (0, 0, -1), 1.0, 1.0, 100, 100)
    >>> cut_line(sagittal, PixelGrid((0, 20, 0), (1, 0, 0), (0, 0, -1), 1.0, 1.0, 100, 100))
    ((20.0, -0.5), (20.0, 99.5))
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

"""The landmarks of a case that a person places, by name and plane, and where they lie."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.anatomy import Plane
from meniscal_measure.caliper.uncertainty import Combined, Input, propagate
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, as_vector
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.series.model import Stack
from meniscal_measure.slice_name import slice_name

PLACEMENT_SD_MM = 0.5
"""Standard deviation of a landmark placed by hand in its image where none is stated.

Bony apices and margins are rounder than the edge of a meniscus, for which 0.2 mm is assumed
(common practice, no source); the sheet says where it was assumed.
"""


class KneeLandmark(StrEnum):
    """A landmark of the case beyond those of the extrusion."""

    MEDIAL_EMINENCE_APEX = "medial_eminence_apex"
    LATERAL_EMINENCE_APEX = "lateral_eminence_apex"
    MEDIAL_PLATEAU_RIM = "medial_plateau_rim"
    LATERAL_PLATEAU_RIM = "lateral_plateau_rim"
    MEDIAL_CARTILAGE_MARGIN = "medial_cartilage_margin"
    LATERAL_CARTILAGE_MARGIN = "lateral_cartilage_margin"
    CRUCIATE_MARGIN = "cruciate_margin"
    ROOT_ATTACHMENT = "root_attachment"
    TEAR = "tear"
    CLEFT_EDGE_A = "cleft_edge_a"
    CLEFT_EDGE_B = "cleft_edge_b"
    POSTERIOR_HORN = "posterior_horn"
    HORN_BESIDE_A = "horn_beside_a"
    HORN_BESIDE_B = "horn_beside_b"
    HORN_FREE_EDGE = "horn_free_edge"
    FOOTPRINT_MARROW = "footprint_marrow"
    REFERENCE_MARROW = "reference_marrow"
    POSTERIOR_PLATEAU_MARGIN = "posterior_plateau_margin"
    POSTERIOR_HORN_EDGE = "posterior_horn_edge"
    ANTERIOR_PLATEAU_MARGIN = "anterior_plateau_margin"
    ANTERIOR_HORN_EDGE = "anterior_horn_edge"
    TUNNEL_ENTRY = "tunnel_entry"
    TUNNEL_EXIT = "tunnel_exit"
    TUNNEL_APERTURE = "tunnel_aperture"
    OTHER_TUNNEL_ENTRY = "other_tunnel_entry"
    OTHER_TUNNEL_EXIT = "other_tunnel_exit"
    MEDIAL_PLATEAU_FRONT = "medial_plateau_front"
    MEDIAL_PLATEAU_BACK = "medial_plateau_back"
    LATERAL_PLATEAU_FRONT = "lateral_plateau_front"
    LATERAL_PLATEAU_BACK = "lateral_plateau_back"
    SHAFT_CENTRE_UPPER = "shaft_centre_upper"
    SHAFT_CENTRE_LOWER = "shaft_centre_lower"
    MEDIAL_FEMORAL_SURFACE = "medial_femoral_surface"
    MEDIAL_TIBIAL_SURFACE = "medial_tibial_surface"
    LATERAL_FEMORAL_SURFACE = "lateral_femoral_surface"
    LATERAL_TIBIAL_SURFACE = "lateral_tibial_surface"


@dataclass(frozen=True)
class SpatialLandmark:
    """A landmark in patient space, with the slice it was placed on."""

    name: str
    point_mm: Vector
    """LPS mm."""
    pixel: tuple[float, float]
    """`[column, row]` on its slice."""
    sd_mm: float
    """Standard deviation of the placement within the image, each way."""
    sd_across_mm: float
    """Standard deviation across the slice: a slice is chosen, not placed on, so it is the distance
    of slices over the square root of 12 (JCGM 100:2008 F.2.2.1, rectangular)."""
    grid: PixelGrid
    slice_index: int
    """Index of the slice in its stack, from 0."""
    where: TracedSlice
    frame_of_reference_uid: str
    """Positions compare only within one (DICOM PS3.3 C.7.4.1)."""
    by: str = ""
    """Who placed it; empty where nobody said."""
    sd_stated: bool = False
    """Whether the deviation was stated or assumed."""

    @property
    def steps_mm(self) -> FloatArray:
        """Its standard deviations along and down the image and across it, as rows, LPS mm."""
        along, down = self.grid.plane_basis
        return np.stack(
            [self.sd_mm * along, self.sd_mm * down, self.sd_across_mm * self.grid.normal]
        )

    @property
    def covariance_mm2(self) -> FloatArray:
        """Covariance of its position, shape (3, 3), LPS mm²."""
        steps = self.steps_mm
        return np.asarray(steps.T @ steps)


def landmark_on(
    stack: Stack, index: int, pixel: tuple[float, float], name: str, *,
    sd_mm: float | None = None, by: str = "", visit: Visit = Visit.BASELINE,
) -> SpatialLandmark:  # fmt: skip
    """Take a landmark from its pixel on a slice to patient space.

    Raises
    ------
    LandmarkError
        If it lies off the image.
    """
    frame = stack.frames[index]
    if not frame.grid.contains(pixel):
        raise LandmarkError(
            "The landmark {name} at column {column}, row {row} lies off its image of {columns} x"
            " {rows} pixels. Give [column, row] on the slice that it names.",
            name=name, column=pixel[0], row=pixel[1],
            columns=frame.grid.columns, rows=frame.grid.rows,
        )  # fmt: skip
    spacing_mm = stack.spacing_mm or frame.slice_thickness_mm or 0.0
    return SpatialLandmark(
        name=name,
        point_mm=as_vector(frame.grid.to_patient(pixel)),
        pixel=pixel,
        sd_mm=PLACEMENT_SD_MM if sd_mm is None else sd_mm,
        sd_across_mm=spacing_mm / math.sqrt(12),
        grid=frame.grid,
        slice_index=index,
        where=traced_slice(stack, index, visit),
        frame_of_reference_uid=stack.identity.frame_of_reference_uid,
        by=by,
        sd_stated=sd_mm is not None,
    )


def traced_slice(stack: Stack, index: int, visit: Visit = Visit.BASELINE) -> TracedSlice:
    """Name a slice of a stack so that a number can be followed back to it.

    Examples
    --------
    >>> str(traced_slice(study.stacks[0], 3))
    'coronal slice 4, image 4'
    """
    frame = stack.frames[index]
    return TracedSlice(stack.plane, slice_name(stack.frames, index), frame.sop_instance_uid, visit)


def located(stacks: Sequence[Stack], where: TracedSlice) -> tuple[Stack, int] | None:
    """Find a slice again: its stack and its index there; None where it is in none of them."""
    wanted = where.sop_instance_uid, where.name.frame_number
    for stack in stacks:
        for index, frame in enumerate(stack.frames):
            number = None if frame.frame_index is None else frame.frame_index + 1
            if (frame.sop_instance_uid, number) == wanted:
                return stack, index
    return None


def nearest_slice(stack: Stack, point_mm: ArrayLike) -> tuple[int, float]:
    """Find the slice of a stack nearest to a point, LPS mm, and its distance from it, mm.

    Examples
    --------
    >>> nearest_slice(study.stacks[0], study.stacks[0].frames[3].grid.centre)
    (3, 0.0)
    """
    away_mm = [abs(float(frame.grid.off_plane_mm(point_mm))) for frame in stack.frames]
    return away_mm.index(min(away_mm)), min(away_mm)


class LandmarkSpace:
    """The landmarks of one frame of reference, by name."""

    def __init__(self, landmarks: Sequence[SpatialLandmark]) -> None:
        by_name: dict[str, list[SpatialLandmark]] = {}
        for landmark in landmarks:
            by_name.setdefault(landmark.name, []).append(landmark)
        self.frame_of_reference_uid = landmarks[0].frame_of_reference_uid if landmarks else ""
        self._by_name: Mapping[str, list[SpatialLandmark]] = MappingProxyType(by_name)

    def first(self, name: str) -> SpatialLandmark | None:
        """Give the landmark of that name; None where it was not placed."""
        found = self._by_name.get(name)
        return found[0] if found else None

    def every(self, name: str) -> list[SpatialLandmark]:
        """Give all landmarks of that name, as placed: one on each of several slices."""
        return self._by_name.get(name, [])

    @property
    def placed(self) -> Mapping[str, SpatialLandmark]:
        """The first landmark of each name."""
        return {name: found[0] for name, found in self._by_name.items()}

    def on_plane(self, name: str, plane: Plane) -> list[SpatialLandmark]:
        """Give all landmarks of that name on slices of one plane."""
        return [found for found in self.every(name) if found.where.plane is plane]


def by_frame_of_reference(landmarks: Sequence[SpatialLandmark]) -> dict[str, LandmarkSpace]:
    """Group landmarks whose positions can be compared; one without a frame stands alone."""
    groups: dict[str, list[SpatialLandmark]] = {}
    for landmark in landmarks:
        alone = f"image {landmark.where.sop_instance_uid}"
        groups.setdefault(landmark.frame_of_reference_uid or alone, []).append(landmark)
    return {uid: LandmarkSpace(group) for uid, group in groups.items()}


def distance_mm(points: FloatArray) -> FloatArray:
    """Distance between two points, shape (2, 3) or (2, 3, cases), mm.

    Examples
    --------
    >>> float(distance_mm(np.array([[0.0, 0.0, 4.0], [0.0, 3.0, 0.0]])))
    5.0
    """
    return np.asarray(np.linalg.norm(points[0] - points[1], axis=0), dtype=np.float64)


def measured_between(
    model: Callable[[FloatArray], FloatArray], landmarks: Sequence[SpatialLandmark]
) -> Combined:
    """Carry the uncertainty of landmarks through a length or an angle between them.

    `model` takes the points, shape (landmarks, 3, cases), to values of shape (cases,); the
    landmarks are uncorrelated and of one frame of reference.
    """
    estimates = np.array([landmark.point_mm for landmark in landmarks])
    steps = np.array([landmark.steps_mm for landmark in landmarks])

    def outputs(shifts: FloatArray) -> list[FloatArray]:
        moved = shifts.reshape(len(landmarks), 3, -1)
        points = estimates[:, :, None] + np.einsum("lsx,lsc->lxc", steps, moved)
        return [model(points)]

    names = (f"{landmark.name} {axis}" for landmark in landmarks for axis in range(3))
    (found,) = propagate(outputs, [Input(name, 0.0, 1.0) for name in names])
    return found

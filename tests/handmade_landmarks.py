"""Knees made of landmarks alone, on coronal slices of any orientation and spacing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import ImagePlane, PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.measure import slice_geometry, slice_reading
from meniscal_measure.caliper.reading import Conventions, SliceReading
from meniscal_measure.geometry import PixelGrid, as_vector

PLATEAU_MM = 72.0
BODY_MM = 11.0


@dataclass(frozen=True)
class Plane:
    """An image plane without an image."""

    sop_instance_uid: str
    grid: PixelGrid
    instance_number: int | None = None
    frame_index: int | None = None


@pytest.fixture(scope="session")
def coronal_grid() -> Callable[..., PixelGrid]:
    """Coronal plane, columns towards the patient's left; turned by a rotation vector (degrees)."""

    def build(
        spacing_mm: tuple[float, float] = (0.4, 0.4),
        rotation_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
        depth_mm: float = 0.0,
    ) -> PixelGrid:
        turn = Rotation.from_rotvec(rotation_deg, degrees=True)
        rows, columns = (round(160 / spacing) for spacing in spacing_mm)
        return PixelGrid(
            as_vector(turn.apply([-80.0, depth_mm, 80.0])),
            as_vector(turn.apply([1.0, 0.0, 0.0])),
            as_vector(turn.apply([0.0, 0.0, -1.0])),
            *spacing_mm,
            rows,
            columns,
        )

    return build


@pytest.fixture(scope="session")
def plane() -> Callable[[PixelGrid, str], ImagePlane]:
    return lambda grid, uid: Plane(uid, grid)


@pytest.fixture(scope="session")
def measure_slice(plane: Callable[[PixelGrid, str], ImagePlane]) -> Callable[..., SliceReading]:
    """Measure the landmarks of one slice, which may lie in the patient as no knee does."""

    def build(
        landmarks: SliceLandmarks, grid: PixelGrid, conventions: Conventions | None = None
    ) -> SliceReading:
        conventions = conventions or Conventions()
        geometry = slice_geometry(landmarks, grid, conventions.axis)
        frame = plane(grid, "1.2.3")
        return slice_reading(landmarks, frame, geometry, conventions=conventions, position_mm=0.0)

    return build


@pytest.fixture(scope="session")
def place() -> Callable[..., SliceLandmarks]:
    """Place named points, `[x, y]` mm from the image centre along rows and columns."""

    def build(
        grid: PixelGrid,
        points: Mapping[tuple[Compartment, Landmark], tuple[float, float]],
        *,
        index: int = 0,
        sd_mm: float = 0.2,
    ) -> SliceLandmarks:
        placed: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
        for (compartment, landmark), (x, y) in points.items():
            point = grid.centre + x * grid.row_direction + y * grid.column_direction
            placed.setdefault(compartment, {})[landmark] = PlacedLandmark(as_vector(point), sd_mm)
        return SliceLandmarks(index, placed)

    return build


@pytest.fixture(scope="session")
def knee_points() -> Callable[..., dict[tuple[Compartment, Landmark], tuple[float, float]]]:
    """A right knee: medial to the right of the image, the plateau tilted as asked."""

    def build(
        medial_mm: float = 2.0,
        lateral_mm: float = 0.5,
        *,
        edge_height_mm: float = 4.0,
        tilt_deg: float = 0.0,
    ) -> dict[tuple[Compartment, Landmark], tuple[float, float]]:
        points: dict[tuple[Compartment, Landmark], tuple[float, float]] = {}
        tilt = np.radians(tilt_deg)
        for compartment, sign, extrusion_mm in (
            (Compartment.MEDIAL, 1, medial_mm),
            (Compartment.LATERAL, -1, lateral_mm),
        ):
            for landmark, x, y in (
                (Landmark.RIM, PLATEAU_MM / 2, 0.0),
                (Landmark.OUTER_EDGE, PLATEAU_MM / 2 + extrusion_mm, -edge_height_mm),
                (Landmark.FREE_EDGE, PLATEAU_MM / 2 + extrusion_mm - BODY_MM, -2.0),
            ):
                across = sign * x
                points[compartment, landmark] = (
                    float(across * np.cos(tilt) - y * np.sin(tilt)),
                    float(across * np.sin(tilt) + y * np.cos(tilt)),
                )
        return points

    return build

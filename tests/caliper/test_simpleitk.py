"""Lengths against SimpleITK's own mapping from pixels to patient space."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import SimpleITK
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import PlacedLandmark, SliceLandmarks
from meniscal_measure.caliper.reading import SliceReading
from meniscal_measure.geometry import PixelGrid, as_vector

sitk: Any = SimpleITK
"""Its functions carry no types."""

PIXELS = {
    (Compartment.LATERAL, Landmark.RIM): (41.25, 160.5),
    (Compartment.MEDIAL, Landmark.RIM): (222.0, 158.125),
    (Compartment.MEDIAL, Landmark.OUTER_EDGE): (228.75, 149.0),
    (Compartment.MEDIAL, Landmark.FREE_EDGE): (199.5, 155.0),
}


def sitk_points(grid: PixelGrid) -> dict[tuple[Compartment, Landmark], np.ndarray]:
    """Physical points as SimpleITK calculates them from origin, spacing and direction."""
    image = sitk.Image([grid.columns, grid.rows, 1], sitk.sitkUInt8)
    image.SetOrigin(grid.position_mm)
    image.SetSpacing([grid.column_spacing_mm, grid.row_spacing_mm, 1.0])
    directions = [grid.row_direction, grid.column_direction, grid.normal]
    image.SetDirection(np.stack(directions, axis=1).ravel().tolist())
    return {
        name: np.array(image.TransformContinuousIndexToPhysicalPoint([column, row, 0.0]))
        for name, (column, row) in PIXELS.items()
    }


@given(
    rotation_deg=st.tuples(*[st.floats(-25, 25)] * 3),
    spacing_mm=st.tuples(*[st.floats(0.36, 0.6)] * 2),
)
def test_extrusion_from_pixels_agrees_with_simpleitk(
    coronal_grid: Callable[..., PixelGrid],
    measure_slice: Callable[..., SliceReading],
    rotation_deg: tuple[float, float, float],
    spacing_mm: tuple[float, float],
) -> None:
    grid = coronal_grid(spacing_mm, rotation_deg)
    placed: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
    for (compartment, landmark), pixel in PIXELS.items():
        point = as_vector(grid.to_patient(pixel))
        placed.setdefault(compartment, {})[landmark] = PlacedLandmark(point, 0.2)
    reading = measure_slice(SliceLandmarks(0, placed), grid)

    points = sitk_points(grid)
    rim = points[Compartment.MEDIAL, Landmark.RIM]
    across = rim - points[Compartment.LATERAL, Landmark.RIM]
    outward = across / np.linalg.norm(across)
    offset = points[Compartment.MEDIAL, Landmark.OUTER_EDGE] - rim
    extrusion = reading.compartments[Compartment.MEDIAL].extrusion
    assert extrusion.extrusion_mm == pytest.approx(float(offset @ outward), abs=1e-9)
    assert reading.plateau_width_mm is not None
    assert reading.plateau_width_mm.value == pytest.approx(float(np.linalg.norm(across)), abs=1e-9)

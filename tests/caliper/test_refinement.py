"""Landmarks of a slice moved onto their edges, or left with a word on why."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import ndtr

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import Point
from meniscal_measure.caliper.landmarks import Origin, SliceLandmarks
from meniscal_measure.caliper.refinement import refine_slice
from meniscal_measure.geometry import FloatArray, PixelGrid

MEDIAL, EDGE, RIM = Compartment.MEDIAL, Landmark.OUTER_EDGE, Landmark.RIM
Points = dict[Point, tuple[float, float]]
Placed = Callable[[float], SliceLandmarks]
TRUE_EDGE_MM = 38.2


@pytest.fixture(scope="session")
def grid(coronal_grid: Callable[..., PixelGrid]) -> PixelGrid:
    return coronal_grid()


@pytest.fixture(scope="session")
def image(grid: PixelGrid) -> FloatArray:
    """Dark to bright at `TRUE_EDGE_MM` right of the centre, above the level of the plateau only."""
    columns, rows = np.meshgrid(np.arange(grid.columns), np.arange(grid.rows))
    offsets = grid.to_patient(np.stack([columns, rows], axis=-1)) - grid.centre
    x, y = offsets @ grid.row_direction, offsets @ grid.column_direction
    step = 20 + 100 * ndtr((x - TRUE_EDGE_MM) / 0.3) * (y < -1.5)
    return np.asarray(step + np.random.default_rng(8).normal(0, 3, step.shape))


@pytest.fixture
def placed(
    place: Callable[..., SliceLandmarks], knee_points: Callable[..., Points], grid: PixelGrid
) -> Placed:
    """Place a knee whose medial outer edge lies so many millimetres right of the centre."""

    def knee(edge_mm: float) -> SliceLandmarks:
        points = knee_points()
        points[MEDIAL, EDGE] = (edge_mm, points[MEDIAL, EDGE][1])
        return place(grid, points)

    return knee


def test_outer_edge_is_moved_onto_the_edge(
    placed: Placed, grid: PixelGrid, image: FloatArray
) -> None:
    refined = refine_slice(placed(37.9), image, grid)
    edge = refined.landmarks.points[MEDIAL][EDGE]
    assert edge.origin is Origin.REFINED
    assert edge.point_mm[0] - grid.centre[0] == pytest.approx(TRUE_EDGE_MM, abs=0.05)
    assert 0.04 <= edge.sd_mm < 0.055  # a tenth of a pixel, and what noise leaves
    assert edge.across_mm == 0.2


def test_landmark_without_an_edge_stays_and_is_named(
    placed: Placed, grid: PixelGrid, image: FloatArray
) -> None:
    landmarks = placed(37.9)
    refined = refine_slice(landmarks, image, grid)
    lateral = Compartment.LATERAL
    assert refined.landmarks.points[lateral][EDGE] == landmarks.points[lateral][EDGE]
    assert any(
        "lateral_outer_edge: No edge could be found" in str(found) for found in refined.findings
    )


def test_an_edge_within_three_standard_deviations_of_the_placement_is_the_one_meant(
    placed: Placed, grid: PixelGrid, image: FloatArray
) -> None:
    refined = refine_slice(placed(TRUE_EDGE_MM - 0.5), image, grid)
    assert refined.landmarks.points[MEDIAL][EDGE].origin is Origin.REFINED


@pytest.mark.parametrize("off_mm", [0.7, 0.8])
def test_an_edge_out_of_reach_of_the_placement_is_another_edge(
    placed: Placed,
    grid: PixelGrid,
    image: FloatArray,
    off_mm: float,
) -> None:
    landmarks = placed(TRUE_EDGE_MM - off_mm)
    refined = refine_slice(landmarks, image, grid)
    assert refined.landmarks.points[MEDIAL][EDGE] == landmarks.points[MEDIAL][EDGE]
    assert any(
        "medial_outer_edge: No edge could be found" in str(found) for found in refined.findings
    )


def test_a_rim_is_a_corner_and_stays(placed: Placed, grid: PixelGrid, image: FloatArray) -> None:
    landmarks = placed(37.9)
    refined = refine_slice(landmarks, image, grid)
    assert refined.landmarks.points[MEDIAL][RIM] == landmarks.points[MEDIAL][RIM]
    assert not any("rim" in str(found) for found in refined.findings)


def test_an_oblique_edge_carries_the_placement_across_into_the_position(
    placed: Placed, grid: PixelGrid
) -> None:
    columns, rows = np.meshgrid(np.arange(grid.columns), np.arange(grid.rows))
    offsets = grid.to_patient(np.stack([columns, rows], axis=-1)) - grid.centre
    x, y = offsets @ grid.row_direction, offsets @ grid.column_direction
    oblique = 20 + 100 * ndtr((x - TRUE_EDGE_MM - 0.5 * (y + 4.0)) / 0.3)
    landmarks = placed(TRUE_EDGE_MM)
    refined = refine_slice(landmarks, oblique, grid)
    edge = refined.landmarks.points[MEDIAL][EDGE]
    # half a millimetre along for each millimetre across, placed to 0.2 mm, and a tenth of a pixel
    assert edge.sd_mm == pytest.approx(np.hypot(0.5 * 0.2, 0.1 * 0.4), rel=0.02)

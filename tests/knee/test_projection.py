"""What a radiograph's pixels measure, by the rules of DICOM PS3.3 10.7.1.3."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.errors import GeometryError, LandmarkError
from meniscal_measure.knee.projection import (
    Calibration,
    ProjectionScale,
    projected,
    projection_scale,
)
from meniscal_measure.series.radiographs import StatedSpacing

DETECTOR, SMALLER = (0.14, 0.14), (0.12, 0.12)


@pytest.mark.parametrize(
    ("stated", "calibration", "row_mm"),
    [
        (StatedSpacing(DETECTOR), Calibration.DETECTOR, 0.14),
        (StatedSpacing(DETECTOR, DETECTOR), Calibration.DETECTOR, 0.14),
        (StatedSpacing(DETECTOR, SMALLER), Calibration.GEOMETRY, 0.12),
        (StatedSpacing(DETECTOR, SMALLER, "GEOMETRY"), Calibration.GEOMETRY, 0.12),
        (StatedSpacing(DETECTOR, SMALLER, "FIDUCIAL"), Calibration.FIDUCIAL, 0.12),
        (StatedSpacing(None, SMALLER), Calibration.DETECTOR, 0.12),
        (StatedSpacing(DETECTOR, magnification=1.12), Calibration.GEOMETRY, 0.125),
        (StatedSpacing(DETECTOR, DETECTOR, magnification=1.12), Calibration.GEOMETRY, 0.125),
        (StatedSpacing(DETECTOR, SMALLER, magnification=1.15), Calibration.GEOMETRY, 0.12),
        (StatedSpacing(DETECTOR, SMALLER, "FIDUCIAL", 1.2), Calibration.FIDUCIAL, 0.12),
        (StatedSpacing(DETECTOR, SMALLER, magnification=1.4), Calibration.CONTRADICTORY, 0.12),
        (StatedSpacing(DETECTOR, magnification=0.9), Calibration.CONTRADICTORY, 0.14),
        (StatedSpacing(DETECTOR, magnification=5.0), Calibration.CONTRADICTORY, 0.14),
        (StatedSpacing(DETECTOR, (0.01, 0.01), "FIDUCIAL"), Calibration.CONTRADICTORY, 0.01),
        (StatedSpacing(DETECTOR, magnification=1.0), Calibration.DETECTOR, 0.14),
        (StatedSpacing(SMALLER, DETECTOR, "GEOMETRY"), Calibration.CONTRADICTORY, 0.14),
        (StatedSpacing(aspect=(2.0, 1.0)), Calibration.NONE, 2.0),
        (StatedSpacing(), Calibration.NONE, 1.0),
    ],
)
def test_spacing_follows_the_standard(
    stated: StatedSpacing, calibration: Calibration, row_mm: float
) -> None:
    scale = projection_scale(stated)
    assert scale.calibration is calibration
    assert scale.row_mm == pytest.approx(row_mm)
    lengths = calibration in (Calibration.FIDUCIAL, Calibration.GEOMETRY)
    assert scale.measures_lengths is lengths


@given(
    turn=st.floats(0, np.pi),
    diameter_mm=st.floats(10, 40),
    pixel_mm=st.tuples(st.floats(0.1, 0.5), st.floats(0.1, 0.5)),
    magnified=st.floats(1.0, 1.4),
)
def test_a_ball_takes_the_magnification_out(
    turn: float, diameter_mm: float, pixel_mm: tuple[float, float], magnified: float
) -> None:
    """A ball and a bone at one depth are magnified alike."""
    detector = ProjectionScale(*pixel_mm, Calibration.DETECTOR)

    def shown(length_mm: float, angle: float) -> tuple[float, float]:
        x, y = magnified * length_mm * np.cos(angle), magnified * length_mm * np.sin(angle)
        return x / detector.column_mm, y / detector.row_mm

    scale = detector.with_ball(((0.0, 0.0), shown(diameter_mm, turn)), diameter_mm)
    (length,) = projected(
        lambda at: [np.hypot(*(at["b"] - at["a"]))],
        {"a": (0.0, 0.0), "b": shown(80.0, turn + 0.7)},
        scale,
    )
    assert length.value == pytest.approx(80.0)
    assert length.u >= 80.0 * scale.u_relative > 0.0


def test_a_ball_without_size_is_refused() -> None:
    square = ProjectionScale(1.0, 1.0, Calibration.NONE)
    with pytest.raises(LandmarkError, match="The calibration ball has no size"):
        square.with_ball(((3.0, 3.0), (3.0, 3.0)), 25.0)


def test_a_ball_calibrates_where_stated_sizes_contradict_each_other() -> None:
    stated = projection_scale(StatedSpacing(SMALLER, DETECTOR))
    scale = stated.with_ball(((0.0, 0.0), (0.0, 100.0)), 25.0)
    assert scale.calibration is Calibration.FIDUCIAL
    assert scale.row_mm == pytest.approx(0.25)


@pytest.mark.parametrize("spacing", [(0.0, 0.1), (-0.1, 0.1), (float("nan"), 0.1)])
def test_a_pixel_without_size_is_refused(spacing: tuple[float, float]) -> None:
    with pytest.raises(GeometryError, match="both must be positive"):
        projection_scale(StatedSpacing(spacing))


def test_sizes_that_state_pixels_of_different_shape_are_refused() -> None:
    """Angles would be those of a stretched image."""
    with pytest.raises(GeometryError, match="pixels of different shape"):
        projection_scale(StatedSpacing(DETECTOR, (0.12, 0.2), "FIDUCIAL"))

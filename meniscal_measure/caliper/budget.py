"""The inputs of the measurement with their uncertainties, and the budget they add up to."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import PlanePoints, Point, name_of
from meniscal_measure.caliper.definitions import Key, plane_measures
from meniscal_measure.caliper.landmarks import SliceLandmarks
from meniscal_measure.caliper.reading import AxisConvention, UncertaintyPart
from meniscal_measure.caliper.uncertainty import Combined, Input, propagate
from meniscal_measure.geometry import FloatArray

SCALE_U = 2.0 / 190.0 / math.sqrt(3)
"""Relative standard uncertainty of lengths from the scale of the images (pixel spacing).

The accreditation limit of geometric accuracy of the ACR large phantom, 2 mm in 190 mm, taken as
the half-width of a rectangular distribution (JCGM 100:2008 4.3.7).
"""

RIM_PLACEMENT = "rim placement"
EDGE_PLACEMENT = "outer edge placement"
AXIS_DIRECTION = "axis direction"
SLICE_CHOICE = "slice choice"
PIXEL_SPACING = "pixel spacing"
"""Names of the lines of the budget."""


@dataclass(frozen=True)
class SliceChoice:
    """What choosing one slice too far forward or back would change."""

    sd_mm: float
    """Standard deviation of the position of the slice along the stack normal, mm."""
    slopes: Mapping[Key, float]
    """Change of each measure per mm along the stack normal."""


@dataclass(frozen=True)
class Geometry:
    """Landmarks in the slice plane with the outward axis of each compartment, shape (2,)."""

    points: PlanePoints
    axes: Mapping[Compartment, FloatArray]
    convention: AxisConvention


def propagated(
    geometry: Geometry, landmarks: SliceLandmarks, slice_choice: SliceChoice | None
) -> dict[Key, Combined]:
    """Calculate every measure of a slice with its combined uncertainty.

    The inputs are the displacement of each landmark along and across its measuring direction,
    the scale of the images and, where the neighbours show how the measures change, the position
    of the slice. All are taken as uncorrelated.
    """
    placed = list(geometry.points)
    inputs = [*_placement(landmarks, placed), Input(PIXEL_SPACING, 0.0, SCALE_U)]
    slopes: Mapping[Key, float] = {}
    if slice_choice is not None:
        inputs.append(Input(SLICE_CHOICE, 0.0, slice_choice.sd_mm))
        slopes = slice_choice.slopes
    keys = list(plane_measures(geometry.points, geometry.convention))
    results = propagate(_model(geometry, placed, keys, slopes), inputs)
    return dict(zip(keys, results, strict=True))


def _placement(landmarks: SliceLandmarks, placed: Sequence[Point]) -> list[Input]:
    inputs = []
    for compartment, landmark in placed:
        record = landmarks.points[compartment][landmark]
        name = name_of(compartment, landmark)
        inputs.append(Input(f"{name} along", 0.0, record.sd_mm))
        inputs.append(Input(f"{name} across", 0.0, record.across_mm))
    return inputs


def _model(
    geometry: Geometry,
    placed: Sequence[Point],
    keys: Sequence[Key],
    slopes: Mapping[Key, float],
) -> Callable[[FloatArray], list[FloatArray]]:
    """Build the measures as a function of the inputs, all of which are zero at the estimate."""
    # A compartment that is not measured itself takes the axis of the other.
    axes = [geometry.axes[name if name in geometry.axes else name.opposite] for name, _ in placed]
    along_across = [np.array([[x, -y], [y, x]]) for x, y in axes]
    count = 2 * len(placed)

    def model(values: FloatArray) -> list[FloatArray]:
        shifts = np.reshape(values[:count], (-1, 2, values.shape[1]))
        scale, slice_offset_mm = 1.0 + values[count], values[count + 1 :].sum(axis=0)
        moved = {
            point: scale * (geometry.points[point][:, np.newaxis] + frame @ shift)
            for point, shift, frame in zip(placed, shifts, along_across, strict=True)
        }
        measures = plane_measures(moved, geometry.convention)
        return [measures[key] + slopes.get(key, 0.0) * slice_offset_mm for key in keys]

    return model


def extrusion_budget(result: Combined, compartment: Compartment) -> tuple[UncertaintyPart, ...]:
    """Gather the contributions to one extrusion under the names a reader knows.

    Whatever does not move the compartment's own rim or outer edge along the axis can only turn
    the axis, and is gathered as axis direction.
    """
    sources = {
        f"{name_of(compartment, Landmark.RIM)} along": RIM_PLACEMENT,
        f"{name_of(compartment, Landmark.OUTER_EDGE)} along": EDGE_PLACEMENT,
        PIXEL_SPACING: PIXEL_SPACING,
        SLICE_CHOICE: SLICE_CHOICE,
    }
    parts: dict[str, float] = {RIM_PLACEMENT: 0.0, EDGE_PLACEMENT: 0.0, AXIS_DIRECTION: 0.0}
    for contribution in result.contributions:
        source = sources.get(contribution.name, AXIS_DIRECTION)
        parts[source] = math.hypot(parts.get(source, 0.0), contribution.u)
    return tuple(UncertaintyPart(source, u_mm) for source, u_mm in parts.items())

"""How far predicted root centres lie from those of drawn knees.

`python tests/benchmarks/footprint_error.py 100` draws as many knees, places apex and rims with the
assumed scatter, and prints mean and 95th percentile of the distance in the plane of the plateau.
The drawn knees have roots of their own, not made from the published distances.
"""

from __future__ import annotations

import sys

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark, Plane, Side
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector
from meniscal_measure.knee.footprint import distance_to_centre, predicted_centres
from meniscal_measure.knee.named_landmarks import PLACEMENT_SD_MM, LandmarkSpace, SpatialLandmark
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.knee.tibial_axes import tibial_axes
from meniscal_measure.slice_name import SliceName
from meniscal_measure.workshop.knees.exact_landmarks import landmarks_on, mid_coronal
from meniscal_measure.workshop.knees.population import draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

SLICE_SD_MM = 3.3 / 12**0.5
"""Scatter across slices 3.3 mm apart."""


def _placed(name: str, point: FloatArray) -> SpatialLandmark:
    grid = PixelGrid((0.0, 0.0, float(point[2])), (1, 0, 0), (0, 1, 0), 0.5, 0.5, 512, 512)
    where = TracedSlice(Plane.SAGITTAL, SliceName(1, 1, 1), "1.2")
    return SpatialLandmark(
        name, as_vector(point), (0.0, 0.0), PLACEMENT_SD_MM, SLICE_SD_MM, grid, 0, where, "1"
    )


def errors_mm(count: int) -> dict[str, list[float]]:
    """Distances by source."""
    rng = np.random.default_rng(20261127)
    found: dict[str, list[float]] = {}
    for _ in range(count):
        parameters = draw_parameters(rng)
        knee = SyntheticKnee(parameters)
        middle = mid_coronal(knee)
        scatter = np.array([SLICE_SD_MM, PLACEMENT_SD_MM, PLACEMENT_SD_MM])
        marks = [_placed("medial_eminence_apex", middle.medial_spine_apex + rng.normal(0, scatter))]
        y_mm = middle.medial_spine_apex[1]
        coronal = PixelGrid((-100.0, y_mm, 100.0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 400, 400)
        points = landmarks_on(knee, coronal)
        if points is None:
            continue
        for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
            rim = np.array(points[compartment][Landmark.RIM])
            marks.append(_placed(f"{compartment.value}_plateau_rim", rim + rng.normal(0, 0.5, 3)))
        space = LandmarkSpace(marks)
        axes = tibial_axes(space, Side(parameters.side))
        truth = _placed("truth", np.array(knee.roots[Compartment.MEDIAL, "posterior"]))
        for centre in predicted_centres("medial_posterior", space, axes, published()):
            error = distance_to_centre(truth, centre, axes, "error").value
            found.setdefault(centre.source.short, []).append(error)
    return found


if __name__ == "__main__":
    for source, errors in errors_mm(int(sys.argv[1])).items():
        print(f"{source}: mean {np.mean(errors):.1f}, 95th {np.percentile(errors, 95):.1f} mm")

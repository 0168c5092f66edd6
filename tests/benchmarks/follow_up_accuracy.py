"""How well the same slice and the change are found.

`python -m tests.benchmarks.follow_up_accuracy 24` prints the figures of the table in docs/case.md.

Knees are drawn from the population, torn, followed in one of three courses, moved and imaged
quickly (grey values by tissue, noise). Landmarks lie exactly where the knee has them: a reader's
error comes on top of what is printed.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import MeniscalMeasureError
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee.follow_up import compared, registered
from meniscal_measure.knee.quantity import Visit
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.knee.examined import examined
from tests.knee.follow_up_pairs import RootCourse, follow_up_pair
from tests.knee.imaged_tibia import Imaging, grids_of, movement


def main(count: int) -> None:
    """Follow so many knees and print the errors."""
    slices_mm: list[float] = []
    places_mm: list[float] = []
    changes_mm: list[float] = []
    seconds: list[float] = []
    refused = 0
    for number in range(count):
        rng = np.random.default_rng([2026, number])
        course = list(RootCourse)[number % 3]
        try:
            pair = follow_up_pair(draw_parameters(rng, Population()), course)
            first, second = SyntheticKnee(pair.baseline), SyntheticKnee(pair.follow_up)
            turn, offset = rng.normal(0, 2.0, 3), rng.normal([0, 0, -8], 2.0)
            how = Imaging(seed=number)
            later = replace(
                how, turn_deg=as_vector(turn), offset_mm=as_vector(offset), seed=number + 9999
            )
            moved = movement(as_vector(rng.normal(0, 4.0, 3)), as_vector(rng.normal(0, 10.0, 3)))
            baseline = examined(first, how)
            follow_up = examined(
                second, later, moved, study_date="20260709", study_instance_uid="2.25.2",
            )  # fmt: skip
            started = time.process_time()
            found = compared(baseline, follow_up, registered(baseline, follow_up))
            seconds.append(time.process_time() - started)
        except (MeniscalMeasureError, KeyError, AssertionError) as error:
            print("left out:", error, file=sys.stderr)
            refused += 1
            continue
        points = baseline.tibia().plateau_points()
        wrong = np.linalg.norm(found.registration.move(points) - moved(points), axis=1)
        places_mm.append(float(np.sqrt(np.mean(wrong**2))))
        centre = baseline.tibia().centre_mm
        index = found.compared[Visit.FOLLOW_UP]
        truly = float(grids_of(later)[index].off_plane_mm(centre))
        slices_mm.append(abs(found.offset_mm - truly))
        change = found.compartments[Compartment.MEDIAL].change
        changes_mm.append(change.value - pair.change_mm)
    for name, values in (
        ("place on the plateau", places_mm),
        ("distance of the slice", slices_mm),
        ("change of medial extrusion", np.abs(changes_mm)),
    ):
        print(f"{name}: mean {np.mean(values):.2f}, 95th {np.percentile(values, 95):.2f} mm")
    print(f"bias of the change {np.mean(changes_mm):+.2f} mm")
    print(
        f"{len(seconds)} pairs, {refused} left out; {np.mean(seconds):.1f} s of the processor each"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)

"""How long a whole case of two studies of ordinary size takes, and how much memory.

`python -m tests.benchmarks.case_speed write FOLDER` images a knee with a torn root, and the same
knee after a repair that healed and after one that did not: three planes of 28 slices of 352 x 352
pixels each. `... case FOLDER [healed|not_healed]` makes the case and prints seconds and memory.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from meniscal_measure.knee.answers import Answers
from meniscal_measure.report.save_case import save_case
from meniscal_measure.workflow.case import make_case
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.recipe import (
    ExtrusionRecipe,
    FilesRecipe,
    ImagingRecipe,
    ScannerRecipe,
    SeriesRecipe,
    StudyRecipe,
)
from meniscal_measure.workshop.knees.scanner.protocols import ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlane
from meniscal_measure.workshop.knees.study import write_study
from tests.knee.follow_up_pairs import RootCourse, follow_up_pair

SLICES, SIDE_PX, PIXEL_MM = 28, 352, 0.42


def imaging(turn_deg: float, planes: Sequence[StackPlane] = tuple(StackPlane)) -> ImagingRecipe:
    """Planes of the knee, turned: at follow-up they lie differently."""
    series = tuple(
        SeriesRecipe(
            plane, ProtocolName.PD_TSE_FS, SLICES, SIDE_PX, SIDE_PX, PIXEL_MM, PIXEL_MM, 3.0, 3.3,
            (turn_deg, -turn_deg, turn_deg), (turn_deg, 0.0, -10.0 - turn_deg),
        )
        for plane in planes
    )  # fmt: skip
    return ImagingRecipe(ScannerRecipe(), FilesRecipe(), series)


def write(folder: Path) -> None:
    """Write the baseline and both follow-ups."""
    knee = draw_parameters(np.random.default_rng([2026, 5]), Population())
    planes = {RootCourse.HEALED: [*StackPlane], RootCourse.NOT_HEALED: [StackPlane.CORONAL]}
    for course, seen in planes.items():
        pair = follow_up_pair(knee, course)
        recipe = StudyRecipe("case", 5, pair.baseline, ExtrusionRecipe(), imaging(0.0))
        if course is RootCourse.HEALED:
            write_study(recipe, folder / "baseline")
        later = replace(recipe, knee=pair.follow_up, imaging=imaging(2.0, seen))
        write_study(later, folder / course.value, visit=2)


def case(folder: Path, course: str) -> None:
    """Make the case and print what it took."""
    started = time.perf_counter(), time.process_time()
    made = make_case(folder / "baseline", folder / course, answers=Answers())
    save_case(made.case, made.pictures, folder / f"case-{course}", follow_up=made.follow_up)
    passed = time.perf_counter() - started[0], time.process_time() - started[1]
    most = max(resource.getrusage(who).ru_maxrss for who in
               (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))  # fmt: skip
    print(f"{passed[0]:.1f} s, processor {passed[1]:.1f} s, {most / 1e6:.2f} GB")
    for gap in made.case.gaps:
        print("gap:", gap)


if __name__ == "__main__":
    if sys.argv[1] == "write":
        write(Path(sys.argv[2]))
    else:
        case(Path(sys.argv[2]), sys.argv[3])

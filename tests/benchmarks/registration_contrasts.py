"""How well the tibia is found again in images of the same and of another contrast.

`python -m tests.benchmarks.registration_contrasts 0 24` draws knees 0 to 23 of the population (the
stated errors were set on these; 24 and on are others), images each in the scanner simulation by an
intermediate-weighted protocol, moves the patient by a known rigid movement, and images it again on
other slices by the same, a fat-suppressed and a T1 protocol. Rims are placed with a scatter of
0.5 mm. `--keep FOLDER` keeps the images for the next time.
"""

from __future__ import annotations

import pickle
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee.registration import ContrastMatch, register_tibia
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.knee.tibia_images import TibiaImages
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.knee.imaged_tibia import moved_grid, movement

SAME = ProtocolName.IW_TSE
OTHERS = {
    SAME: ContrastMatch.SAME,
    ProtocolName.PD_TSE_FS: ContrastMatch.OTHER_FAT,
    ProtocolName.T1_TSE: ContrastMatch.OTHER_WEIGHTING,
}
SLICES, SIDE_MM = 18, (110.0, 112.0)
RIM_SD_MM = 0.5


@dataclass(frozen=True, eq=False)
class Trial:
    """A knee at baseline and, moved, in each protocol at follow-up."""

    baseline: TibiaImages
    follow_ups: dict[ProtocolName, TibiaImages]
    moved: RigidMove


def drawn(number: int) -> Trial:
    """Draw a knee, how the patient moved, and how the slices lie."""
    rng = np.random.default_rng([77, number])
    knee = SyntheticKnee(draw_parameters(rng, Population()))
    pixel_mm = float(rng.choice([0.55, 0.6, 0.7]))
    rows, columns = (round(side / pixel_mm) for side in SIDE_MM)
    first = StackPlan(
        StackPlane.CORONAL, SLICES, rows, columns, pixel_mm, pixel_mm, 3.0, 3.3,
        as_vector(rng.normal([0, 0, -12], 1.5)), (0.0, 0.0, 0.0),
    )  # fmt: skip
    turn = as_vector(rng.normal(0, 2.0, 3))
    later = replace(first, centre_mm=as_vector(rng.normal([0, 0, -12], 2.0)), rotation_deg=turn)
    moved = movement(as_vector(rng.normal(0, 4.0, 3)), as_vector(rng.normal(0, 10.0, 3)))

    def imaged(plan: StackPlan, name: ProtocolName, seed: int) -> TibiaImages:
        scanner = Scanner(snr=float(rng.uniform(15, 50)))
        stack = scan(knee, plan, PROTOCOLS[name], scanner=scanner, seeds=(number, seed))
        apex = np.array(knee.mid_coronal.medial_spine_apex)
        middle = min(stack.grids, key=lambda grid: abs(float(grid.off_plane_mm(apex))))
        truth = knee.landmarks_on(middle)
        assert truth is not None
        rims = [
            np.array(truth[side][Landmark.RIM]) + rng.normal(0, RIM_SD_MM, 3)
            for side in (Compartment.MEDIAL, Compartment.LATERAL)
        ]
        grids = stack.grids
        if plan is later:
            grids = tuple(moved_grid(grid, moved) for grid in grids)
            rims = [moved(rim) for rim in rims]
        pixels = stack.pixels.astype(np.float32)
        return TibiaImages(pixels, grids, as_vector(rims[0]), as_vector(rims[1]))

    baseline = imaged(first, SAME, 1)
    return Trial(baseline, {name: imaged(later, name, 50 + n) for n, name in enumerate(OTHERS)},
                 moved)  # fmt: skip


def trials(numbers: range, kept: Path | None) -> Iterator[Trial]:
    """Give the trials of these numbers, kept or drawn."""
    for number in numbers:
        file = None if kept is None else kept / f"{number}.pickle"
        if file is not None and file.exists():
            yield pickle.loads(file.read_bytes())
            continue
        trial = drawn(number)
        if file is not None:
            file.parent.mkdir(exist_ok=True)
            file.write_bytes(pickle.dumps(trial))
        yield trial


def main(numbers: range, kept: Path | None) -> None:
    """Register these knees and print errors, and how the stated error covers them."""
    found: dict[ProtocolName, list[tuple[float, ...]]] = {name: [] for name in OTHERS}
    for trial in trials(numbers, kept):
        points = trial.baseline.plateau_points()
        across = trial.baseline.grids[0].normal
        for name, images in trial.follow_ups.items():
            started = time.process_time()
            result = register_tibia(trial.baseline, images, OTHERS[name])
            seconds = time.process_time() - started
            wrong = trial.moved.inverse(result.move(points)) - points
            turn_deg = result.move.against(trial.moved).angle_deg
            rms_mm = float(np.sqrt(np.mean(np.sum(wrong**2, axis=1))))
            centre_mm = float(np.mean(wrong @ across))
            found[name].append(
                (rms_mm, turn_deg, abs(centre_mm), result.error_mm, result.error_deg, seconds)
            )
    for name, rows in found.items():
        place, turn, slice_mm, stated, stated_deg, seconds = np.array(rows).T
        for what, values in (("place mm", place), ("turn deg", turn), ("slice mm", slice_mm)):
            print(
                f"{name} {what}: mean {values.mean():.2f}, 95th {np.percentile(values, 95):.2f},"
                f" most {values.max():.2f}"
            )
        ratio, ratio_deg = place / stated, turn / stated_deg
        print(
            f"{name} stated {stated.mean():.2f} mm, {stated_deg.mean():.2f} deg; true within twice"
            f" it: {np.mean(ratio <= 2):.0%}, {np.mean(ratio_deg <= 2):.0%}; most"
            f" {ratio.max():.1f}, {ratio_deg.max():.1f} times; {seconds.mean():.1f} s"
        )


if __name__ == "__main__":
    folder = Path(sys.argv[4]) if "--keep" in sys.argv else None
    main(range(int(sys.argv[1]), int(sys.argv[2])), folder)

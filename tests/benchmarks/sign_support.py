"""How well the computed support of root signs tells torn from whole, and how wide it finds a gap.

`python -m tests.benchmarks.sign_support 30` prints the figures of the table in docs/case.md.

Knees are drawn from the population; each is imaged whole, with its medial posterior root torn
(gaps of 1 to 9 mm, 2 to 6 mm from the attachment) and healed by scar, by the scanner simulation
(fat-suppressed intermediate weighting, pixels 0.5 mm, slices 3 mm). Landmarks lie where the drawn
knee has them, scattered by 0.5 mm each way in the image.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np
from scipy.stats import rankdata

from meniscal_measure.anatomy import Compartment, Plane
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector
from meniscal_measure.knee.cleft import cleft_gap
from meniscal_measure.knee.horn_signal import horn_quantities, horn_signals
from meniscal_measure.knee.named_landmarks import PLACEMENT_SD_MM, SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedSlice
from meniscal_measure.slice_name import SliceName
from meniscal_measure.workshop.knees.parameters import KneeParameters, RootTear, TearParameters
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

GAPS_MM = (1.0, 2.0, 3.0, 4.0, 6.0, 9.0)
PIXEL_MM, PIXELS, SPACING_MM = 0.5, 160, 3.3


def root_path(knee: SyntheticKnee) -> tuple[FloatArray, FloatArray]:
    """Points along the middle of the medial horn from its posterior attachment, and arc lengths."""
    angles = knee.menisci[Compartment.MEDIAL].posterior.angle - np.linspace(0, 1.2, 400)
    points = knee.centre_line(Compartment.MEDIAL, angles)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return points, np.concatenate([[0.0], np.cumsum(steps)])


def at_arc(path: tuple[FloatArray, FloatArray], mm: float) -> FloatArray:
    """The point so far from the attachment."""
    points, arc = path
    return np.array([np.interp(mm, arc, points[:, axis]) for axis in range(3)])


def stack_at(knee: SyntheticKnee, plane: StackPlane, centre: FloatArray, count: int, seed: int
             ) -> ScannedStack:  # fmt: skip
    """Image a few slices about a point."""
    plan = StackPlan(plane, count, PIXELS, PIXELS, PIXEL_MM, PIXEL_MM, 3.0, SPACING_MM,
                     as_vector(centre))  # fmt: skip
    protocol = PROTOCOLS[ProtocolName.PD_TSE_FS]
    return scan(knee, plan, protocol, scanner=Scanner(snr=40.0), seeds=(seed, 1))


def placed(name: str, point: FloatArray, grid: PixelGrid, index: int, rng: np.random.Generator
           ) -> SpatialLandmark:  # fmt: skip
    """Place a landmark on a slice with a reader's scatter."""
    column, row = grid.to_pixel(point) + rng.normal(0, PLACEMENT_SD_MM / PIXEL_MM, 2)
    where = TracedSlice(Plane.AXIAL, SliceName(index + 1, 9, index + 1), f"1.2.{index}")
    return SpatialLandmark(
        name, as_vector(grid.to_patient((column, row))), (float(column), float(row)),
        PLACEMENT_SD_MM, SPACING_MM / 12**0.5, grid, index, where, "1",
    )  # fmt: skip


def horn(knee: SyntheticKnee, place: FloatArray, path: tuple[FloatArray, FloatArray], seed: int
         ) -> tuple[float, float]:  # fmt: skip
    """Signal of the root slice over its neighbours, and dark area over theirs."""
    medial = knee.mirror
    rng = np.random.default_rng(seed)
    centre = place + np.array([medial * SPACING_MM, 0.0, 0.0])
    stack = stack_at(knee, StackPlane.SAGITTAL, centre, 3, seed)
    marks, points = [], path[0]
    for index, grid in enumerate(stack.grids):
        on = points[np.argmin(np.abs(points[:, 0] - grid.origin[0]))]
        marks.append(placed("posterior_horn", on, grid, index, rng))
    marks.sort(key=lambda mark: abs(mark.point_mm[0] - place[0]))
    pixels = {i: image.astype(np.float32) for i, image in enumerate(stack.pixels)}
    signal, here, there = horn_quantities(horn_signals(marks, pixels))
    return signal.value, here.value / max(there.value, 0.1)


def gaps(
    knee: SyntheticKnee, ends: list[FloatArray], seed: int
) -> list[tuple[str, float, bool, float]]:
    """The gap on an axial and a coronal slice, and whether the pixels gave both edges."""
    found = []
    for number, plane in enumerate((StackPlane.AXIAL, StackPlane.CORONAL)):
        rng = np.random.default_rng([seed, number])
        stack = stack_at(knee, plane, np.mean(ends, axis=0), 1, seed + number)
        grid = stack.grids[0]
        first, second = (placed("cleft", end, grid, 0, rng) for end in ends)
        one = cleft_gap(first, second, stack.pixels[0].astype(np.float32))
        found.append((plane.value, one.value, one.basis is Basis.PIXELS, one.u or 0.0))
    return found


def area_under_curve(torn: list[float], whole: list[float]) -> float:
    """Probability that a torn knee has the larger value (Mann-Whitney)."""
    ranks = rankdata([*torn, *whole])
    return float((ranks[: len(torn)].sum() - len(torn) * (len(torn) + 1) / 2)
                 / (len(torn) * len(whole)))  # fmt: skip


def torn(knee: KneeParameters, gap_mm: float, distance_mm: float, healed: float) -> KneeParameters:
    """Tear the medial posterior root completely."""
    tear = TearParameters(root=RootTear.COMPLETE, root_distance_mm=distance_mm, root_gap_mm=gap_mm,
                          root_healed=healed)  # fmt: skip
    return replace(knee, medial_tear=tear)


def main(count: int) -> None:
    """Image so many knees and print the figures."""
    signals: dict[str, list[tuple[float, float]]] = defaultdict(list)
    errors: dict[tuple[str, float], list[tuple[float, bool, float]]] = defaultdict(list)
    for number in range(count):
        rng = np.random.default_rng([2026, number])
        drawn = draw_parameters(rng, Population(medial_root_tear=0.0, other_tear=0.0))
        gap_mm = GAPS_MM[number % len(GAPS_MM)]
        distance_mm = float(rng.uniform(2.0, 6.0))
        whole = SyntheticKnee(drawn)
        path = root_path(whole)
        place = at_arc(path, distance_mm + gap_mm / 2)
        ends = [at_arc(path, distance_mm), at_arc(path, distance_mm + gap_mm)]
        open_gap = SyntheticKnee(torn(drawn, gap_mm, distance_mm, 0.0))
        scar = SyntheticKnee(torn(drawn, gap_mm, distance_mm, 1.0))
        for state, knee in (("whole", whole), ("torn", open_gap), ("healed", scar)):
            signals[state].append(horn(knee, place, path, number))
        truth = float(np.linalg.norm(ends[1] - ends[0]))
        for plane, found, refined, u in gaps(open_gap, ends, number):
            errors[plane, gap_mm].append((found - truth, refined, u))
        print(number, gap_mm, signals["torn"][-1], signals["whole"][-1], file=sys.stderr)
    for index, name in enumerate(("signal ratio", "dark area ratio")):
        values = {state: [one[index] for one in all_] for state, all_ in signals.items()}
        sign = (1, -1)[index]
        curve = {state: area_under_curve([sign * v for v in values["torn"]],
                                         [sign * v for v in values[state]])
                 for state in ("whole", "healed")}  # fmt: skip
        for state, ratios in values.items():
            low, middle, high = np.percentile(ratios, [5, 50, 95])
            print(f"{name}, {state}: median {middle:.2f}, 5th to 95th {low:.2f} to {high:.2f}")
        print(f"{name}: area under the curve, torn against whole {curve['whole']:.2f}, against"
              f" healed {curve['healed']:.2f}")  # fmt: skip
    for (plane, gap_mm), pairs in sorted(errors.items()):
        wrong = np.array([error for error, _, _ in pairs])
        within = np.mean([abs(error) <= 1.96 * u for error, _, u in pairs])
        print(f"gap {gap_mm:g} mm, {plane}: bias {wrong.mean():+.2f}, mean error"
              f" {np.abs(wrong).mean():.2f}, largest {np.abs(wrong).max():.2f} mm;"
              f" {sum(one[1] for one in pairs)} of {len(pairs)} from the pixels,"
              f" {100 * within:.0f} % within the 95 % interval")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]))

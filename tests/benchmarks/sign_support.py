"""How well the computed support of root signs tells torn from whole, and how wide it finds a gap.

`python -m tests.benchmarks.sign_support 1000 1036` prints the figures of the table in docs/case.md,
of drawn knees 1000 to 1035. What the measurements assume was set on knees 0 to 35.

Knees are drawn from the population; each is imaged whole, with its medial posterior root torn
(gaps of 1 to 9 mm, 2 to 6 mm from the attachment) and healed by scar, with the free edge of its
posterior horn cut off (a third to two thirds of the width), and with marrow oedema under the
footprint (radius 3 to 10 mm), by the scanner simulation (fat-suppressed intermediate weighting,
pixels 0.5 mm, slices 3 mm). Landmarks lie where the drawn knee has them, scattered by 0.5 mm each
way in the image.
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
from meniscal_measure.knee.horn_shape import edge_bluntness
from meniscal_measure.knee.horn_signal import horn_quantities, horn_signals
from meniscal_measure.knee.marrow_signal import marrow_signal
from meniscal_measure.knee.named_landmarks import PLACEMENT_SD_MM, SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedSlice
from meniscal_measure.slice_name import SliceName
from meniscal_measure.workshop.knees.lesions import FOOTPRINT_DEPTH_MM
from meniscal_measure.workshop.knees.parameters import (
    BodyTear,
    KneeParameters,
    RootTear,
    TearParameters,
)
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

GAPS_MM = (1.0, 2.0, 3.0, 4.0, 6.0, 9.0)
PIXEL_MM, PIXELS, SPACING_MM = 0.5, 160, 3.3
NORMALS = {Plane.AXIAL: (0, 0, 1), Plane.CORONAL: (0, 1, 0), Plane.SAGITTAL: (1, 0, 0)}
REFERENCE_AWAY_MM = (12.0, 22.0)
"""The reference marrow lies so far in front of and below the marrow of the footprint."""


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
    plane = max(NORMALS, key=lambda plane: abs(grid.normal @ NORMALS[plane]))
    where = TracedSlice(plane, SliceName(index + 1, 9, index + 1), f"1.2.{index}")
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


def bluntness(knee: SyntheticKnee, seed: int) -> float:
    """Height of the posterior horn at its free edge over its largest, behind its middle."""
    meniscus, behind = knee.menisci[Compartment.MEDIAL], np.array([np.pi / 2])
    section = meniscus.section(behind, knee.tibia.rim_reach(Compartment.MEDIAL, behind))
    shape = meniscus.shape
    ends = [
        np.concatenate(meniscus.place(behind, reach, np.array([height]))) * [knee.mirror, 1, 1]
        for reach, height in ((section.outer, shape.wall_height_mm),
                              (section.inner, shape.tip_thickness_mm / 2))
    ]  # fmt: skip
    stack = stack_at(knee, StackPlane.SAGITTAL, np.mean(ends, axis=0), 1, seed)
    rng = np.random.default_rng([seed, 7])
    outer, free = (placed("horn", end, stack.grids[0], 0, rng) for end in ends)
    return edge_bluntness(outer, free, stack.pixels[0].astype(np.float32)).value


def marrow_ratio(knee: SyntheticKnee, seed: int) -> float:
    """Signal of the marrow under the footprint over that of marrow away from the joint."""
    root = np.array(knee.roots[Compartment.MEDIAL, "posterior"])
    forward_mm, below_mm = REFERENCE_AWAY_MM
    here = root - [0.0, 0.0, FOOTPRINT_DEPTH_MM]
    there = here - [0.0, forward_mm, below_mm]
    stack = stack_at(knee, StackPlane.SAGITTAL, (here + there) / 2, 1, seed)
    rng = np.random.default_rng([seed, 8])
    marks = [placed("marrow", point, stack.grids[0], 0, rng) for point in (here, there)]
    image = stack.pixels[0].astype(np.float32)
    return marrow_signal(marks[0], marks[1], image, image).value


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


def cut_off(knee: KneeParameters, depth: float) -> KneeParameters:
    """Cut off this part of the width of the medial posterior horn, so that it ends abruptly."""
    tear = TearParameters(body=BodyTear.RADIAL, body_angle_deg=90.0, body_gape_mm=4.0,
                          body_depth=depth, body_bluntness=1.0)  # fmt: skip
    return replace(knee, medial_tear=tear)


def main(numbers: range) -> None:
    """Image these knees and print the figures."""
    ratios: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    errors: dict[tuple[str, float], list[tuple[float, bool, float]]] = defaultdict(list)
    for number in numbers:
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
        for state, knee in (("torn", open_gap), ("whole", whole), ("healed", scar)):
            signal, area = horn(knee, place, path, number)
            ratios["signal of the horn"][state].append(signal)
            ratios["dark area of the horn"][state].append(-area)
        cut = SyntheticKnee(cut_off(drawn, float(rng.uniform(0.33, 0.67))))
        ratios["height at the free edge"]["cut"].append(bluntness(cut, number))
        ratios["height at the free edge"]["whole"].append(bluntness(whole, number))
        oedema = replace(drawn.joint, root_oedema_mm=float(rng.uniform(3.0, 10.0)))
        wet = SyntheticKnee(replace(drawn, joint=oedema))
        ratios["signal of the marrow"]["oedema"].append(marrow_ratio(wet, number))
        ratios["signal of the marrow"]["none"].append(marrow_ratio(whole, number))
        truth = float(np.linalg.norm(ends[1] - ends[0]))
        for plane, found, refined, u in gaps(open_gap, ends, number):
            errors[plane, gap_mm].append((found - truth, refined, u))
        print(number, file=sys.stderr)
    for name, states in ratios.items():
        print_rates(name, states)
    for (plane, gap_mm), wrong in sorted(errors.items()):
        print_errors(f"gap {gap_mm:g} mm, {plane}", wrong)
    for plane in ("axial", "coronal"):
        every = [one for (where, _), all_ in errors.items() if where == plane for one in all_]
        print_errors(f"every gap, {plane}", every)


def print_rates(name: str, states: dict[str, list[float]]) -> None:
    """Print how well a ratio tells the first state from each other one."""
    (first, torn_), *others = states.items()
    print(f"{name}, {first}: median {np.median(torn_):.2f}")
    for state, values in others:
        limit = np.percentile(values, 95)
        print(f"{name}, {state}: median {np.median(values):.2f}; area under the curve"
              f" {area_under_curve(torn_, values):.2f}; sensitivity"
              f" {np.mean(np.array(torn_) > limit):.0%} where specificity is 95 %"
              f" (limit {limit:.2f})")  # fmt: skip


def print_errors(name: str, found: list[tuple[float, bool, float]]) -> None:
    """Print errors of a gap, and how often the stated interval holds the truth."""
    wrong = np.array([error for error, _, _ in found])
    within = np.array([abs(error) <= 1.96 * u for error, _, u in found])
    refined = [one[1] for one in found]
    print(f"{name}: bias {wrong.mean():+.2f}, mean error {np.abs(wrong).mean():.2f}, largest"
          f" {np.abs(wrong).max():.2f} mm; {sum(refined)} of {len(found)} from the pixels;"
          f" {within.sum()} within the 95 % interval, of those from the pixels"
          f" {within[refined].sum()}")  # fmt: skip


if __name__ == "__main__":
    main(range(int(sys.argv[1]), int(sys.argv[2])))

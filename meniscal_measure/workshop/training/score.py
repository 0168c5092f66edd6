"""The whole way from stack to reading, held against the truth, world by world.

`python -m meniscal_measure.workshop.training.score FOLDER ...` proposes landmarks on every stack in
each folder, measures them, and prints slice, extrusion, interval and flag against the truth; each
table names the world that its stacks come from. `--corrupted` spoils the images first.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import SliceLandmarks
from meniscal_measure.caliper.measure import measure_set
from meniscal_measure.caliper.reading import THRESHOLD_MM
from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.choice import Declined
from meniscal_measure.locate.propose import Proposal, propose
from meniscal_measure.workshop.training.corrupt import corrupted
from meniscal_measure.workshop.training.worlds import POINTS, Known

CLEAR_MM = 0.5
"""Extrusions nearer to the threshold than this are left out of sensitivity and specificity."""
BINS_MM = range(-2, 8)


@dataclass(frozen=True)
class Score:
    """One meniscus of one stack."""

    protocol: str
    slice_error: int
    """Slices from the one that should be measured."""
    confidence: float
    true_mm: float
    found_mm: float
    interval95_mm: tuple[float, float]
    landmark_errors_mm: tuple[float, ...] = (np.nan,) * len(POINTS)
    """Of rim, outer edge and free edge along the line of the rims; NaN where not proposed."""


@dataclass(frozen=True)
class Outcome:
    """What came of one stack."""

    world: str
    reason: str
    """Why it was declined; empty where it was not."""
    confidence: float
    scores: tuple[Score, ...] = ()


def outcome_of(path: Path, *, spoilt: bool = False) -> Outcome:
    """Propose and measure on one stack."""
    known = Known.read(path)
    pixels, world = known.pixels, known.world
    if spoilt:
        _, pixels = corrupted(np.random.default_rng(zlib.crc32(path.stem.encode())), pixels)
        world = f"{world}, corrupted"
    proposal = propose(known.stack, pixels, known.side, slice_index=known.named)
    if isinstance(proposal, Declined):
        return Outcome(world, proposal.reason, proposal.confidence)
    return Outcome(world, "", proposal.confidence, tuple(_scores(known, proposal)))


def _scores(known: Known, proposal: Proposal) -> Iterator[Score]:
    reading = measure_set(proposal.landmarks, known.stack.frames, side=known.side).measured
    for compartment, measured in reading.compartments.items():
        truth = known.true_points(reading.slice_index, compartment)
        if truth is None:
            continue
        points, axis, spacing = truth
        yield Score(
            known.truth["protocol"],
            reading.slice_index - known.middle,
            proposal.confidence,
            float(((points[1] - points[0]) * spacing) @ axis),
            measured.extrusion.extrusion_mm,
            measured.extrusion.interval95_mm,
            _landmark_errors(known, proposal.landmarks.measured, compartment, truth),
        )


def _landmark_errors(
    known: Known,
    placed: SliceLandmarks,
    compartment: Compartment,
    truth: tuple[FloatArray, FloatArray, FloatArray],
) -> tuple[float, ...]:
    points, axis, spacing = truth
    grid, found = known.grids[placed.slice_index], placed.points[compartment]
    return tuple(
        float(((grid.to_pixel(found[Landmark(name)].point_mm) - true) * spacing) @ axis)
        if Landmark(name) in found
        else np.nan
        for name, true in zip(POINTS, points, strict=True)
    )


def summary(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Summarise one world in the lines of the model card."""
    scores = [score for outcome in outcomes for score in outcome.scores]
    declined = sum(bool(outcome.reason) for outcome in outcomes)
    yield f"{len(outcomes)} stacks, {declined} declined, {len(scores)} menisci"
    if not scores:
        return
    true, found = (np.array([getattr(s, n) for s in scores]) for n in ("true_mm", "found_mm"))
    error = found - true
    yield _errors("extrusion", error)
    yield f"bias {error.mean():.3f} mm; largest error {np.abs(error).max():.2f} mm"
    yield from _intervals(scores, true)
    yield from _landmarks(scores)
    far, out = np.abs(true - THRESHOLD_MM) > CLEAR_MM, true > THRESHOLD_MM
    flagged = found > THRESHOLD_MM
    yield f"sensitivity {_share(flagged[far & out])}"
    yield f"specificity {_share(~flagged[far & ~out])}"
    off = np.array([item.scores[0].slice_error for item in outcomes if item.scores])
    yield f"slice exact {(off == 0).mean():.3f}, within one {(np.abs(off) <= 1).mean():.3f}"
    yield from _groups(scores, true, error)


def _intervals(scores: Sequence[Score], true: FloatArray) -> Iterator[str]:
    low, high = np.array([score.interval95_mm for score in scores]).T
    held = (low <= true) & (true <= high)
    yield f"intervals hold {held.mean():.3f}, half width {(high - low).mean() / 2:.2f} mm"
    sure = np.array([score.confidence for score in scores])
    for least, most in ((0, 0.5), (0.5, 0.8), (0.8, 1.01)):
        of = (sure >= least) & (sure < most)
        if of.any():
            size = np.abs(np.array([s.found_mm - s.true_mm for s in scores])[of])
            yield (
                f"  confidence {least} to {min(most, 1):.2f}: n {of.sum()}, mean absolute error"
                f" {size.mean():.2f}, within 1.5 mm {(size < 1.5).mean():.3f}, intervals hold"
                f" {held[of].mean():.3f}"
            )


def _landmarks(scores: Sequence[Score]) -> Iterator[str]:
    for name, errors in zip(
        POINTS, np.array([s.landmark_errors_mm for s in scores]).T, strict=True
    ):
        if not np.isnan(errors).all():
            yield _errors(f"{name} along the rim line", errors[~np.isnan(errors)])


def _share(outcomes: NDArray[np.bool_]) -> str:
    return f"{outcomes.mean():.3f} of {len(outcomes)}" if len(outcomes) else "of none"


def _groups(scores: Sequence[Score], true: FloatArray, error: FloatArray) -> Iterator[str]:
    for start in BINS_MM:
        inside = error[(true >= start) & (true < start + 1)]
        if len(inside):
            yield _errors(f"{start} to {start + 1} mm, bias {inside.mean():.2f}", inside)
    names = np.array([score.protocol for score in scores])
    for name in sorted(set(names)):
        yield _errors(name, error[names == name])


def _errors(name: str, error: NDArray[np.float64]) -> str:
    size = np.abs(error)
    return (
        f"{name}: n {len(size)}, mean absolute error {size.mean():.3f}, median"
        f" {np.median(size):.3f}, 95th percentile {np.quantile(size, 0.95):.2f}, largest"
        f" {size.max():.2f} mm"
    )


def report(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Say what was found, world by world, each under its name."""
    for world in dict.fromkeys(outcome.world for outcome in outcomes):
        yield f"World: {world}"
        for line in summary([outcome for outcome in outcomes if outcome.world == world]):
            yield f"  {line}"


def main() -> None:
    """Read the command line, score the stacks and say what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--corrupted", action="store_true")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    paths = [path for folder in options.folders for path in sorted(folder.glob("*.npz"))]
    with ProcessPoolExecutor(options.processes) as pool:
        outcomes = list(pool.map(partial(outcome_of, spoilt=options.corrupted), paths))
    print("\n".join(report(outcomes)))


if __name__ == "__main__":
    main()

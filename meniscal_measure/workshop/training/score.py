"""The whole way from stack to reading on held-out stacks, as the model card states it.

`python -m meniscal_measure.workshop.training.score FOLDER` proposes landmarks on every stack that
`training.heldout` wrote, measures them, and holds slice, extrusion, interval and flag against the
truth.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Plane, Side
from meniscal_measure.caliper.measure import measure_set
from meniscal_measure.caliper.reading import THRESHOLD_MM
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate.propose import propose
from meniscal_measure.series.model import (
    Contrast,
    FileRef,
    Frame,
    Identity,
    Laterality,
    Stack,
    Weighting,
)
from meniscal_measure.workshop.training.evaluate import HeldOut, true_points

CLEAR_MM = 0.5
"""Extrusions nearer to the threshold than this are left out of sensitivity and specificity."""
BINS_MM = range(-2, 8)


@dataclass(frozen=True)
class Score:
    """One meniscus of one stack."""

    protocol: str
    slice_error: int
    """Slices from the one nearest to the apex of the medial spine."""
    confidence: float
    true_mm: float
    found_mm: float
    interval95_mm: tuple[float, float]


def scores_of(path: Path) -> list[Score]:
    """Propose and measure one stack; nothing where it is declined."""
    held = HeldOut.read(path)
    stack, side = as_stack(path, held.grids), Side(held.truth["side"])
    proposal = propose(stack, held.pixels, side)
    if proposal.landmarks is None:
        return []
    reading = measure_set(proposal.landmarks, stack.frames, side=side).measured
    apex = np.abs(held.positions_mm - held.along_mm(held.truth["apex"])).argmin()
    found = []
    for compartment, measured in reading.compartments.items():
        truth = true_points(held, reading.slice_index, Compartment(compartment))
        if truth is not None:
            points, axis, spacing = truth
            extrusion = measured.extrusion
            found.append(
                Score(
                    held.truth["protocol"],
                    reading.slice_index - int(apex),
                    proposal.confidence,
                    float(((points[1] - points[0]) * spacing) @ axis),
                    extrusion.extrusion_mm,
                    extrusion.interval95_mm,
                )
            )
    return found


def as_stack(path: Path, grids: Sequence[PixelGrid]) -> Stack:
    """Give the slices of a made stack the form that a read one has."""
    file = FileRef(path)
    frames = tuple(Frame(file, None, str(i), grid, 4.0) for i, grid in enumerate(grids))
    positions = tuple(float(grid.origin @ grids[0].normal) for grid in grids)
    return Stack(
        Identity("", "", "", "", "", "", None, "", ""),
        Plane.CORONAL,
        Contrast(Weighting.PROTON_DENSITY, fat_suppressed=True, evidence="not looked at"),
        Laterality(None, "not looked at"),
        frames,
        positions,
        (),
    )


def summary(stacks: Sequence[Sequence[Score]]) -> Iterator[str]:
    """Say in lines what the model card says."""
    scores = [score for stack in stacks for score in stack]
    true, found = (np.array([getattr(s, n) for s in scores]) for n in ("true_mm", "found_mm"))
    low, high = np.array([score.interval95_mm for score in scores]).T
    error = found - true
    declined = sum(not stack for stack in stacks)
    yield f"{len(stacks)} stacks, {declined} declined, {len(scores)} menisci"
    yield _errors("all", error)
    yield f"bias {error.mean():.3f} mm; largest error {np.abs(error).max():.2f} mm"
    yield f"intervals hold {((low <= true) & (true <= high)).mean():.3f}, half width"
    yield f"  {(high - low).mean() / 2:.2f} mm in the mean"
    far, out = np.abs(true - THRESHOLD_MM) > CLEAR_MM, true > THRESHOLD_MM
    flagged = found > THRESHOLD_MM
    yield f"sensitivity {flagged[far & out].mean():.3f} of {(far & out).sum()}"
    yield f"specificity {(~flagged[far & ~out]).mean():.3f} of {(far & ~out).sum()}"
    off = np.abs([stack[0].slice_error for stack in stacks if stack])
    yield f"slice exact {(off == 0).mean():.3f}, within one {(off <= 1).mean():.3f}"
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
        f" {np.median(size):.3f}, 95th percentile {np.quantile(size, 0.95):.2f} mm"
    )


def main() -> None:
    """Read the command line, score the stacks and say what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.processes) as pool:
        stacks = list(pool.map(scores_of, sorted(options.folder.glob("*.npz"))))
    print("\n".join(summary(stacks)))


if __name__ == "__main__":
    main()

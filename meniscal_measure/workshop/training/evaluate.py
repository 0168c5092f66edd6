"""Tabulate what the networks find beside the truth; gate and calibration are fitted to it.

`python -m meniscal_measure.workshop.training.evaluate TABLE.npz FOLDER ...` writes one row for each
stack of each folder, as it is, corrupted, and spoilt into `--foreign` inputs that are no knee.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.locate.choice import choose_slice
from meniscal_measure.locate.evidence import Evidence, Facts
from meniscal_measure.locate.place import along_slices, compartment_of
from meniscal_measure.locate.propose import apex_surveys, around, evidence_of
from meniscal_measure.locate.survey import survey
from meniscal_measure.workshop.training.corrupt import corrupted
from meniscal_measure.workshop.training.foreign import KINDS, spoilt
from meniscal_measure.workshop.training.worlds import POINTS, Known, as_stack

AS_IS, CORRUPTED = "as it is", "corrupted"
KINDS_OF_FINDING = ("error", "stated", "spread", "elsewhere")
MARGIN_COLUMNS = tuple(f"{kind}_{point}" for kind in KINDS_OF_FINDING for point in POINTS)
"""What is known of a margin: errors along the line of the rims, and what says how large they may
be; `elsewhere` is the share of a heat map that does not lie near its landmark."""
STACK_COLUMNS = (*(field.name for field in fields(Facts)), "slice_error")
NOWHERE = np.full((2, len(MARGIN_COLUMNS)), np.nan)

Job = tuple[Path, str]
Row = tuple[str, str, FloatArray, FloatArray]
"""World, what was done to the stack, its row, and those of its margins, left and right."""


def row_of(job: Job) -> Row:
    """Run all networks on one stack, and hold them against its truth."""
    path, kind = job
    known, rng = Known.read(path), np.random.default_rng(zlib.crc32(f"{path.stem}{kind}".encode()))
    if kind in KINDS:
        grids, pixels = spoilt(rng, kind, known)
        evidence, _ = _examined(known, grids, pixels)
        return known.world, kind, _stack_row(evidence, np.nan), NOWHERE
    pixels = corrupted(rng, known.pixels)[1] if kind == CORRUPTED else known.pixels
    evidence, index = _examined(known, known.grids, pixels)
    off = np.nan if known.named is not None else index - known.middle
    return known.world, kind, _stack_row(evidence, off), _margin_rows(known, evidence)


def _examined(
    known: Known, grids: Sequence[PixelGrid], pixels: NDArray[Any]
) -> tuple[Evidence, int]:
    stack = as_stack(known.path, grids)
    chosen = choose_slice(apex_surveys(grids, pixels), stack, known.side)
    index = chosen.index if known.named is None else len(grids) // 2
    return evidence_of(grids, pixels, survey(grids, pixels), index), index


def _stack_row(evidence: Evidence, slice_error: float) -> FloatArray:
    return np.array([*astuple(evidence.facts()), slice_error], dtype=np.float64)


def _margin_rows(known: Known, evidence: Evidence) -> FloatArray:
    rows, near = [], around(evidence.index, len(known.grids))
    for right, margin in enumerate(evidence.both):
        compartment = compartment_of(known.grids[0], bool(right), known.side)
        truth = known.true_points(evidence.index, compartment)
        if truth is None:
            return NOWHERE
        points, axis, spacing = truth
        margins = [evidence.margins[i, right] for i in near]
        course = along_slices(known.grids, margins, near, known.stack.spacing_mm)
        placed, _ = course[near.index(evidence.index)]
        error = (placed - points) * spacing @ axis
        rows.append(np.concatenate([error, margin.sd_mm, margin.spread_mm, 1 - margin.mass]))
    return np.array(rows, dtype=np.float64)


def jobs(folders: Sequence[Path], foreign: int) -> Iterator[Job]:
    """List what is to be done: every stack twice, and inputs of each foreign kind."""
    for folder in folders:
        paths = sorted(folder.glob("*.npz"))
        yield from ((path, kind) for path in paths for kind in (AS_IS, CORRUPTED))
        yield from (
            (paths[(7 * number + place) % len(paths)], kind)
            for place, kind in enumerate(KINDS)
            for number in range(foreign)
        )


def main() -> None:
    """Read the command line and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("table", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--foreign", type=int, default=6, help="inputs of each foreign kind")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.processes) as pool:
        rows = list(pool.map(row_of, jobs(options.folders, options.foreign), chunksize=4))
    worlds, kinds, stacks, margins = zip(*rows, strict=True)
    np.savez(
        options.table,
        worlds=worlds,
        kinds=kinds,
        stacks=np.array(stacks),
        stack_columns=STACK_COLUMNS,
        margins=np.array(margins),
        margin_columns=MARGIN_COLUMNS,
    )


if __name__ == "__main__":
    main()

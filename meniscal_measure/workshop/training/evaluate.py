"""Hold what is proposed against the truth of held-out stacks, margin by margin.

`python -m meniscal_measure.workshop.training.evaluate FOLDER TABLE.npz` writes one row for each
margin and one for each stack; `calibration` is fitted to them.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.locate.consensus import middle_mm
from meniscal_measure.locate.margins import AUGMENTATIONS, Augmentation
from meniscal_measure.locate.propose import along_slices, around, compartment_of, find_margins
from meniscal_measure.locate.survey import Survey, survey

POINTS = ("rim", "outer_edge", "free_edge")
MARGIN_COLUMNS = (
    *("stack", "protocol", "from_middle", "medial", "extrusion"),
    *(
        f"{kind}_{point}"
        for kind in ("raw", "smooth", "stated", "spread", "mass")
        for point in POINTS
    ),
    *("measurable", "coronal"),
)
"""Columns of a margin's row: errors, stated sd and spread in mm along the line of the rims."""
STACK_COLUMNS = (
    *("stack", "protocol", "spacing", "apex_error", "midpoint_error"),
    *("disagreement", "measurable", "coronal", "slices"),
)


@dataclass(frozen=True)
class HeldOut:
    """A stack with its truth."""

    seed: int
    grids: list[PixelGrid]
    pixels: np.ndarray[Any, Any]
    truth: dict[str, Any]

    @classmethod
    def read(cls, path: Path) -> HeldOut:
        """Read a stack written by `training.heldout`."""
        with np.load(path) as file:
            truth = json.loads(str(file["truth"]))
            pixels = file["pixels"]
        grids = [_grid(grid) for grid in truth["grids"]]
        return cls(int(path.stem), grids, pixels, truth)

    @property
    def positions_mm(self) -> FloatArray:
        """Position of each slice along the normal."""
        return np.array([float(grid.origin @ self.grids[0].normal) for grid in self.grids])

    def along_mm(self, point: Sequence[float]) -> float:
        """Position of a patient point along the normal."""
        return float(np.array(point) @ self.grids[0].normal)


def _grid(record: dict[str, Any]) -> PixelGrid:
    plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in record.items()}
    return PixelGrid(**plain)


def judge(
    path: Path, augmentations: Sequence[Augmentation] = AUGMENTATIONS
) -> tuple[list[list[float]], list[float]]:
    """Locate on one stack and compare: rows of its margins, and its own row."""
    stack = HeldOut.read(path)
    protocol = float(sum(ord(c) for c in stack.truth["protocol"]))
    seen, positions = survey(stack.grids, stack.pixels), stack.positions_mm
    targets = [stack.along_mm(stack.truth[name]) for name in ("apex", "midpoint")]
    found = [middle_mm(seen, positions, target) for target in (0, 1)]
    index = int(np.abs(positions - found[0][0]).argmin())
    row = [
        *(stack.seed, protocol, stack.truth["spacing_mm"]),
        *(found[i][0] - targets[i] for i in (0, 1)),
        *(found[0][1], seen.measurable[index], seen.coronal[index], len(positions)),
    ]
    true_index = int(np.abs(positions - targets[0]).argmin())
    return [
        [stack.seed, protocol, *margin]
        for margin in _margins(stack, seen, true_index, augmentations)
    ], row


def _margins(
    stack: HeldOut, seen: Survey, index: int, augmentations: Sequence[Augmentation]
) -> list[list[float]]:
    chosen = around(index, len(stack.grids))
    margins = find_margins(stack.grids, stack.pixels, seen, chosen, augmentations=augmentations)
    rows = []
    for right in (0, 1):
        side = Side(stack.truth["side"])
        compartment = compartment_of(stack.grids[0], bool(right), side)
        sequence = [margins[i, right] for i in chosen]
        course = along_slices(stack.grids, sequence, chosen, stack.truth["spacing_mm"])
        for i, margin, (smooth, _) in zip(chosen, sequence, course, strict=True):
            true = true_points(stack, i, compartment)
            if true is None:
                continue
            points, axis, spacing = true
            errors = [((pixels - points) * spacing) @ axis for pixels in (margin.pixels, smooth)]
            extrusion = float(((points[1] - points[0]) * spacing) @ axis)
            rows.append(
                [
                    *(i - index, float(compartment is Compartment.MEDIAL), extrusion),
                    *(x for part in errors for x in part),
                    *(x for part in (margin.sd_mm, margin.spread_mm, margin.mass) for x in part),
                    *(seen.measurable[i], seen.coronal[i]),
                ]
            )
    return rows


def true_points(
    stack: HeldOut, index: int, compartment: Compartment
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Give true pixels of rim, edge and tip, outward axis, and pixel size, where measurable."""
    truth, grid = stack.truth["landmarks"][index], stack.grids[index]
    if not all("outer_edge" in truth.get(c.value, {}) for c in (compartment, compartment.opposite)):
        return None
    here, there = truth[compartment.value], truth[compartment.opposite.value]
    nowhere = [np.nan] * 3
    points = grid.to_pixel(np.array([here.get(name, nowhere) for name in POINTS]))
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    axis = (points[0] - grid.to_pixel(there["rim"])) * spacing
    return points, axis / np.linalg.norm(axis), spacing


def main() -> None:
    """Read the command line and judge the stacks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("table", type=Path)
    parser.add_argument("--only", help="one of the margin networks instead of both")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    augmentations = [replace(item, network=options.only or item.network) for item in AUGMENTATIONS]
    paths = sorted(options.folder.glob("*.npz"))
    with ProcessPoolExecutor(options.processes) as pool:
        judged = list(pool.map(partial(judge, augmentations=augmentations), paths))
    margins = [row for rows, _ in judged for row in rows]
    np.savez(
        options.table,
        margins=np.array(margins),
        margin_columns=MARGIN_COLUMNS,
        stacks=np.array([row for _, row in judged]),
        stack_columns=STACK_COLUMNS,
    )


if __name__ == "__main__":
    main()

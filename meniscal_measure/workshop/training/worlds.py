"""Stacks with known landmarks, from whichever world they come, as files to be judged on.

A stack is an `.npz` with its pixels and, as JSON text, its truth: the planes of its slices, the
landmarks on those where they are known, and what else the world knows of it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Plane, Side
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.series.model import (
    Contrast,
    FileRef,
    Frame,
    Identity,
    Laterality,
    Stack,
    Weighting,
)

POINTS = ("rim", "outer_edge", "free_edge")


@dataclass(frozen=True)
class Known:
    """A stack with its truth."""

    path: Path
    """Its file."""
    grids: list[PixelGrid]
    pixels: NDArray[Any]
    """Grey values of the slices."""
    truth: dict[str, Any]
    """`landmarks`: for each slice, patient points by compartment and name; `side`; `world` and
    `protocol`; `spacing_mm`; `apex`, `midpoint`: patient points through which the middle slices
    run, where the world has depth; `measured`: the slice to name where it has not."""

    @classmethod
    def read(cls, path: Path) -> Known:
        """Read a stack."""
        with np.load(path) as file:
            truth = json.loads(str(file["truth"]))
            pixels = file["pixels"]
        return cls(path, [_grid(grid) for grid in truth["grids"]], pixels, truth)

    def write(self) -> Path:
        """Write the stack to its file."""
        truth = {**self.truth, "grids": [asdict(grid) for grid in self.grids]}
        pixels = np.asarray(self.pixels).astype(np.uint16)
        np.savez_compressed(self.path, pixels=pixels, truth=json.dumps(truth, default=float))
        return self.path

    @property
    def world(self) -> str:
        """Where the stack comes from."""
        return str(self.truth["world"])

    @property
    def side(self) -> Side | None:
        """Its body side, where the world knows sides."""
        side = self.truth["side"]
        return None if side is None else Side(side)

    @property
    def named(self) -> int | None:
        """The slice that is to be named, since the world knows of no middle one."""
        return self.truth.get("measured")

    @property
    def middle(self) -> int:
        """The slice that should be measured."""
        if self.named is not None:
            return self.named
        return int(np.abs(self.positions_mm - self.along_mm(self.truth["apex"])).argmin())

    @property
    def positions_mm(self) -> FloatArray:
        """Position of each slice along the normal."""
        return np.array([float(grid.origin @ self.grids[0].normal) for grid in self.grids])

    def along_mm(self, point: Sequence[float]) -> float:
        """Position of a patient point along the normal."""
        return float(np.array(point) @ self.grids[0].normal)

    @property
    def stack(self) -> Stack:
        """The stack as if it had been read."""
        return as_stack(self.path, self.grids)

    def true_points(
        self, index: int, compartment: Compartment
    ) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Give true pixels of `POINTS`, outward axis, and pixel size, where they are known."""
        known, grid = self.truth["landmarks"][index], self.grids[index]
        both = (compartment, compartment.opposite)
        if not all("outer_edge" in known.get(name.value, {}) for name in both):
            return None
        here, there = known[compartment.value], known[compartment.opposite.value]
        nowhere = [np.nan] * 3
        points = grid.to_pixel(np.array([here.get(name, nowhere) for name in POINTS]))
        spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
        axis = (points[0] - grid.to_pixel(there["rim"])) * spacing
        return points, axis / np.linalg.norm(axis), spacing


def _grid(record: dict[str, Any]) -> PixelGrid:
    plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in record.items()}
    return PixelGrid(**plain)


def as_stack(path: Path, grids: Sequence[PixelGrid]) -> Stack:
    """Give the slices of a made stack the form that a read one has."""
    file = FileRef(path)
    frames = tuple(Frame(file, None, str(i), grid, 4.0) for i, grid in enumerate(grids))
    positions = tuple(float(grid.origin @ grids[0].normal) for grid in grids)
    return Stack(
        Identity("", "", "", "", "", None, "", ""),
        Plane.CORONAL,
        Contrast(Weighting.PROTON_DENSITY, fat_suppressed=True, evidence="not looked at"),
        Laterality(None, "not looked at"),
        frames,
        positions,
        (),
    )

"""Inputs that are no measurable coronal knee, to find out whether they are declined.

`python -m meniscal_measure.workshop.training.foreign FOLDER` spoils the stacks that
`training.heldout` wrote there, each in its own way, draws others that are no knee at all, and
counts how many are declined.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector
from meniscal_measure.locate.choice import Declined
from meniscal_measure.locate.propose import propose
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.training.random_scans import draw_knee, scanned
from meniscal_measure.workshop.training.worlds import Known, as_stack

Images = NDArray[np.floating[Any]]
Spoiler = Callable[[np.random.Generator, Known], Images]

SLICES, SIZE, PIXEL_MM = 9, 224, 0.7
"""Slices, rows and columns, and pixel of what is drawn from nothing."""
VOID = 0.04
"""What is left of the signal beside metal."""


def joint_on(stack: Known) -> tuple[FloatArray, float]:
    """Middle between the rims on the slice that should be measured, pixels, and their distance."""
    marks = stack.truth["landmarks"][stack.middle]
    rims = stack.grids[stack.middle].to_pixel(np.array([marks[name]["rim"] for name in marks]))
    return rims.mean(axis=0), float(np.abs(np.diff(rims[:, 0]))[0])


def another_plane(rng: np.random.Generator, stack: Known) -> Images:
    """Make sagittal or axial slices of another knee, said to be coronal."""
    plane = StackPlane.SAGITTAL if rng.random() < 0.5 else StackPlane.AXIAL
    across = (float(rng.uniform(-30, 30)), 0.0, 0.0)
    along = (0.0, 0.0, float(rng.uniform(-25, 25)))
    centre = across if plane is StackPlane.SAGITTAL else along
    size = (SIZE, SIZE, PIXEL_MM, PIXEL_MM)
    plan = StackPlan(plane, SLICES, *size, 3.0, 3.3, centre_mm=centre)
    return scanned(rng, draw_knee(rng), plan).pixels.astype(float)


def cropped(rng: np.random.Generator, stack: Known) -> Images:
    """Cut a knee so that one rim lies outside the image."""
    (column, row), width = joint_on(stack)
    pixels = stack.pixels.astype(float)
    side, by = int(rng.integers(4)), rng.uniform(-0.2, 0.2) * width
    if side < 2:
        cut = int(column + by)
        return pixels[:, :, :cut] if side else pixels[:, :, cut:]
    cut = int(row + by / 6 - (0.04 if side == 2 else -0.04) * width)
    return pixels[:, :cut] if side == 2 else pixels[:, cut:]


def beside_metal(rng: np.random.Generator, stack: Known) -> Images:
    """Put voids with bright borders over the joint."""
    (column, row), width = joint_on(stack)
    pixels = stack.pixels.astype(float)
    rows, columns = np.indices(pixels.shape[1:])
    for _ in range(int(rng.integers(1, 4))):
        x, y = column + rng.uniform(-0.45, 0.45) * width, row + rng.uniform(-0.2, 0.2) * width
        long, short = rng.uniform(0.2, 0.4, 2) * width
        distance = np.hypot((columns - x) / long, (rows - y) / short)
        distance += 0.1 * np.sin(6 * np.arctan2(rows - y, columns - x))
        border = 1 + 2 * np.exp(-(((distance - 1.05) / 0.07) ** 2))
        pixels = np.where(distance < 1, VOID * pixels, border * pixels)
    return pixels


def replaced(rng: np.random.Generator, stack: Known) -> Images:
    """Put in a joint replacement: condyles, tray and stem void."""
    (column, row), width = joint_on(stack)
    rows, columns = np.indices(stack.pixels.shape[1:])
    x, y = (columns - column) / width, (rows - row) / width
    tray = (np.abs(x) < 0.52) & (y > 0) & (y < rng.uniform(0.08, 0.16))
    stem = (np.abs(x) < rng.uniform(0.06, 0.1)) & (y > 0) & (y < rng.uniform(0.35, 0.6))
    condyles = np.hypot(x / 0.55, (y + 0.22) / rng.uniform(0.17, 0.25)) < 1
    return np.where(tray | stem | condyles, VOID, 1.0) * stack.pixels


def turned(rng: np.random.Generator, stack: Known) -> Images:
    """Lay the image on its side or upside down, against what its header says."""
    return np.rot90(stack.pixels, int(rng.integers(1, 4)), (1, 2)).astype(float)


def noise(rng: np.random.Generator, stack: Known) -> Images:
    """Draw noise, fine or coarse."""
    width = float(rng.choice([0, 1, 4, 10]))
    smooth = gaussian_filter(rng.random((SLICES, SIZE, SIZE)), (0, width, width))
    return np.asarray(smooth ** rng.uniform(0.5, 3) * 1000)


def stripes(rng: np.random.Generator, stack: Known) -> Images:
    """Draw stripes or rings."""
    rows, columns = np.indices((SIZE, SIZE)) - SIZE / 2
    turn, pitch = rng.uniform(0, np.pi), rng.uniform(0.02, 0.3)
    along = columns * np.cos(turn) + rows * np.sin(turn)
    way = along if rng.random() < 0.5 else np.hypot(rows, columns)
    grain = rng.normal(0, 20, (SLICES, SIZE, SIZE))
    return np.clip(500 * (1 + np.sin(pitch * way)) + grain, 0, None)


def bottle(rng: np.random.Generator, stack: Known) -> Images:
    """Draw a round phantom with a grid or rods in it."""
    rows, columns = np.indices((SIZE, SIZE))
    pitch = int(rng.integers(12, 30))
    lines = (columns % pitch < 3) | (rows % pitch < 3)
    rods = np.hypot(columns % pitch - pitch / 2, rows % pitch - pitch / 2) < pitch / 4
    inside = np.hypot(rows - SIZE / 2, columns - SIZE / 2) < rng.uniform(60, 105)
    picture = 800 * inside * np.where(lines if rng.random() < 0.5 else rods, rng.uniform(0, 0.5), 1)
    return np.clip(picture + rng.normal(0, 15, (SLICES, SIZE, SIZE)), 0, None)


KINDS: dict[str, Spoiler] = {
    "sagittal or axial": another_plane,
    "cropped joint": cropped,
    "metal": beside_metal,
    "joint replacement": replaced,
    "turned picture": turned,
    "noise": noise,
    "stripes and rings": stripes,
    "bottle": bottle,
}


def judge(job: tuple[int, str, Path]) -> tuple[str, bool, float]:
    """Make one input and say whether it was declined, and with what confidence."""
    seed, kind, path = job
    held = Known.read(path)
    grids, pixels = spoilt(np.random.default_rng(seed), kind, held)
    named = None if held.named is None else len(grids) // 2
    proposal = propose(as_stack(path, grids), pixels, slice_index=named)
    return kind, isinstance(proposal, Declined), proposal.confidence


def spoilt(rng: np.random.Generator, kind: str, stack: Known) -> tuple[list[PixelGrid], Images]:
    """Make one input of a kind from a stack."""
    pixels, grid = KINDS[kind](rng, stack), stack.grids[0]
    _, rows, columns = pixels.shape
    places = [as_vector(grid.origin + 3.3 * i * grid.normal) for i in range(len(pixels))]
    return [replace(grid, position_mm=p, rows=rows, columns=columns) for p in places], pixels


def counts(judged: list[tuple[str, bool, float]]) -> Iterator[str]:
    """Say how many of each kind were declined."""
    for kind in KINDS:
        mine = [(declined, sure) for name, declined, sure in judged if name == kind]
        highest = max((sure for _, sure in mine), default=0.0)
        declined = sum(gone for gone, _ in mine)
        yield f"{kind}: {declined} of {len(mine)} declined, highest confidence {highest:.2f}"
    yield f"all: {sum(declined for _, declined, _ in judged)} of {len(judged)} declined"


def main() -> None:
    """Read the command line, make the inputs and count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", type=int, default=30, help="inputs of each kind")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    paths = sorted(options.folder.glob("*.npz"))
    jobs = [
        (number, kind, paths[number % len(paths)])
        for number, kind in enumerate(kind for kind in KINDS for _ in range(options.each))
    ]
    with ProcessPoolExecutor(options.processes) as pool:
        print("\n".join(counts(list(pool.map(judge, jobs)))))


if __name__ == "__main__":
    main()

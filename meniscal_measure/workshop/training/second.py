"""Stacks of a second generator that shares no code with training, to be judged on.

`python -m meniscal_measure.workshop.training.second GENERATOR FOLDER` loads a two-dimensional
generator of knee slices from a Python file that is no part of this project, and writes small
stacks in the form of `training.heldout`. The file must offer `Knee(batch, device).make()`, which
returns images, labels, heat maps, validity and six landmarks in mm from the middle of the
image: left and right rim, outer edge, free edge.

Only the middle slice has landmarks: its neighbours are the same slice, gently deformed. So the
stacks say nothing about the choice of the slice.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.workshop.training.worlds import POINTS, Known

WORLD = "second generator"
PIXEL_MM = 0.5
"""Pixel of the generator."""
SLICES, SPACING_MM = 5, 3.5
RIM_ANGLES_DEG = {35.0: 45.0}
"""The generator marks the rim where its rounded corner faces 35 degrees upward, this project half-
way through the turn; it is made to mark what this project means."""
BATCH = 8
DARK_MM = 5.0
"""A landmark nearer than this to a part of the image without any signal is cut off."""


@dataclass(frozen=True)
class Picture:
    """A slice of the generator with its landmarks."""

    pixels: NDArray[np.float32]
    landmarks_mm: FloatArray
    """From the middle of the image, right and up: (points, left and right, 2)."""


def loaded(path: Path) -> ModuleType:
    """Load the generator, with its rim where this project has it."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    functions = {name: getattr(math, name) for name in dir(math)}
    functions["radians"] = lambda deg: math.radians(RIM_ANGLES_DEG.get(deg) or deg)
    module.math = SimpleNamespace(**functions)  # type: ignore[attr-defined]
    return module


def pictures(generator: ModuleType, seed: int) -> Iterator[Picture]:
    """Draw a batch of slices whose landmarks are all in the image."""
    import torch

    torch.manual_seed(seed)
    with torch.no_grad():
        images, _, _, valid, landmarks = generator.Knee(BATCH, "cpu").make()
    for image, sound, points in zip(images, valid, landmarks, strict=True):
        picture = Picture(
            image[0].numpy(), points.numpy().astype(np.float64).reshape(len(POINTS), 2, 2)
        )
        if bool((sound > 0).all()) and _is_whole(picture):
            yield picture


def _is_whole(picture: Picture) -> bool:
    reach = int(DARK_MM / PIXEL_MM)
    lit = picture.pixels > 0
    columns, rows = np.moveaxis(_pixels(picture), -1, 0).round().astype(int)
    patches = [
        lit[max(row - reach, 0) : row + reach, max(column - reach, 0) : column + reach]
        for row, column in zip(rows.ravel(), columns.ravel(), strict=True)
    ]
    return all(patch.size == (2 * reach) ** 2 and bool(patch.mean() > 0.97) for patch in patches)


def _pixels(picture: Picture) -> FloatArray:
    """Landmarks as `[column, row]`."""
    rows, columns = picture.pixels.shape
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    return np.asarray(middle + picture.landmarks_mm * [1, -1] / PIXEL_MM)


def stacked(rng: np.random.Generator, picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Put gently deformed copies of a slice in front of it and behind it."""
    middle = SLICES // 2
    return np.stack([_deformed(rng, picture, abs(i - middle)) for i in range(SLICES)])


def _deformed(
    rng: np.random.Generator, picture: NDArray[np.float32], away: int
) -> NDArray[np.float32]:
    if not away:
        return picture
    field = gaussian_filter(rng.normal(size=(2, *picture.shape)), (0, 24, 24))
    field *= away * rng.uniform(0.3, 0.8) / PIXEL_MM / field.std()
    moved = map_coordinates(picture, np.indices(picture.shape) + field, order=1, mode="nearest")
    grain = gaussian_filter(rng.normal(size=picture.shape), 30)
    return np.asarray(moved * (1 + 0.08 * grain / grain.std()), dtype=np.float32)


def grids(shape: tuple[int, ...]) -> list[PixelGrid]:
    """Give the slices of a stack their planes: coronal, from front to back."""
    rows, columns = shape
    return [
        PixelGrid(
            (-columns * PIXEL_MM / 2, SPACING_MM * i, rows * PIXEL_MM / 2),
            (1.0, 0.0, 0.0),
            (0.0, 0.0, -1.0),
            PIXEL_MM,
            PIXEL_MM,
            rows,
            columns,
        )
        for i in range(SLICES)
    ]


def write(folder: Path, number: int, picture: Picture) -> Path:
    """Write a stack around a slice, with its truth."""
    planes, middle = grids(picture.pixels.shape), SLICES // 2
    points = planes[middle].to_patient(_pixels(picture))
    truth: dict[str, Any] = {
        "world": WORLD,
        "landmarks": [{} if i != middle else _named(points) for i in range(SLICES)],
        "measured": middle,
        "side": None,
        "protocol": "drawn",
        "spacing_mm": SPACING_MM,
    }
    pixels = stacked(np.random.default_rng(number), picture.pixels)
    return Known(folder / f"{number}.npz", planes, 1000 * pixels, truth).write()


def _named(points: FloatArray) -> dict[str, dict[str, list[float]]]:
    return {
        side: {name: points[i, j].tolist() for i, name in enumerate(POINTS)}
        for j, side in enumerate(("image_left", "image_right"))
    }


def main() -> None:
    """Read the command line and write the stacks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("generator", type=Path, help="Python file of the generator")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    generator, number, seed = loaded(options.generator), 0, options.seed
    while number < options.count:
        for picture in pictures(generator, seed):
            write(options.folder, 1000 * options.seed + number, picture)
            number += 1
        seed += 1


if __name__ == "__main__":
    main()

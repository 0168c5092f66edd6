"""Knees in random contrast: training material that no scanner's look can be learnt from.

Every tissue gets a random intensity and texture; resolution, pose, crop, shading and noise are
random, and a smooth random deformation bends the picture, its landmarks with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector
from meniscal_measure.workshop.knees.knee import Knee
from meniscal_measure.workshop.knees.layers import Layer, labels_of
from meniscal_measure.workshop.knees.population import GENERAL, Population, draw_parameters
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids
from meniscal_measure.workshop.knees.tissue import Tissue

Image = NDArray[np.float32]

MODES = 4
"""Cosine modes along each axis that bend and shade the picture."""

UNBEND_STEPS = 12
"""Fixed-point steps by which a landmark is carried along; each gains a digit or more."""


@dataclass(frozen=True)
class Randomness:
    """Ranges that the views are drawn from; each pair is a lowest and a highest value.

    Parameters
    ----------
    size_px
        Rows and columns of a slice.
    native_px
        Size at which it is sampled before it is interpolated to `size_px`.
    field_of_view_mm
        Width of the picture.
    tilt_deg
        Largest turn about each patient axis.
    depth_mm
        Largest distance from the apex of the medial spine, front or back.
    crop_mm
        Largest shift of the picture in its plane.
    bend
        Largest displacement by the deformation, as a fraction of the picture.
    blur_mm
        Width over which tissue borders are softened.
    texture, noise
        Standard deviations as fractions of the full intensity range.
    views_per_slice
        Views drawn of one slice of one knee before the next is drawn.
    """

    size_px: int = 320
    native_px: tuple[int, int] = (192, 320)
    field_of_view_mm: tuple[float, float] = (115.0, 180.0)
    tilt_deg: float = 12.0
    depth_mm: float = 6.0
    crop_mm: float = 12.0
    bend: float = 0.012
    blur_mm: tuple[float, float] = (0.3, 1.5)
    texture: tuple[float, float] = (0.0, 0.12)
    noise: tuple[float, float] = (0.0, 0.12)
    views_per_slice: int = 8


USUAL = Randomness()


@dataclass(frozen=True)
class RandomView:
    """One slice in random contrast.

    Parameters
    ----------
    image
        Intensities from 0, shape (size, size).
    labels
        Tissue code at each pixel, same shape.
    landmarks
        `[column, row]` of each landmark that the slice has, inside the picture or not.
    pixel_mm
        Nominal pixel spacing; the deformation stretches it by a few per cent.
    mirror
        1 for a right knee, -1 for a left one.
    """

    image: Image
    labels: NDArray[np.uint8]
    landmarks: Mapping[Compartment, Mapping[Landmark, tuple[float, float]]]
    pixel_mm: float
    mirror: float


def random_views(
    rng: np.random.Generator,
    randomness: Randomness = USUAL,
    population: Population = GENERAL,
) -> Iterator[RandomView]:
    """Draw coronal slices of random knees in random contrast, without end.

    Parameters
    ----------
    rng
        Source of all randomness.
    randomness, population
        What is drawn.

    Yields
    ------
    RandomView
        Always of a slice that cuts the body of both menisci.
    """
    while True:
        knee = Knee(draw_parameters(rng, population))
        plane = _random_plane(knee, rng, randomness)
        points = knee.landmarks_on(plane)
        if points is None or any(Landmark.OUTER_EDGE not in found for found in points.values()):
            continue
        for _ in range(randomness.views_per_slice):
            yield _view(knee, _cropped(plane, rng, randomness), points, rng, randomness)


def _random_plane(knee: Knee, rng: np.random.Generator, randomness: Randomness) -> PixelGrid:
    apex = np.array(knee.mid_coronal.medial_spine_apex)
    tilt_deg = rng.uniform(-randomness.tilt_deg, randomness.tilt_deg, 3)
    plan = StackPlan(
        *(StackPlane.CORONAL, 1, randomness.size_px, randomness.size_px, 1.0, 1.0, 1.0, 1.0),
        rotation_deg=as_vector(tilt_deg),
    )
    normal = stack_grids(plan)[0].normal
    beyond_mm = float(apex @ normal) + rng.uniform(-1, 1) * randomness.depth_mm
    return _moved(stack_grids(plan)[0], beyond_mm * normal)


def _cropped(plane: PixelGrid, rng: np.random.Generator, randomness: Randomness) -> PixelGrid:
    """Draw resolution and crop of a view in a plane."""
    pixels = int(rng.integers(randomness.native_px[0], randomness.native_px[1], endpoint=True))
    spacing_mm = rng.uniform(*randomness.field_of_view_mm) / pixels
    across_mm, down_mm = rng.uniform(-randomness.crop_mm, randomness.crop_mm, 2)
    half_mm = (pixels - 1) / 2 * spacing_mm
    corner = plane.centre
    corner = corner + (across_mm - half_mm) * plane.row_direction
    corner = corner + (down_mm - half_mm) * plane.column_direction
    return PixelGrid(
        position_mm=as_vector(corner),
        row_cosines=plane.row_cosines,
        column_cosines=plane.column_cosines,
        row_spacing_mm=spacing_mm,
        column_spacing_mm=spacing_mm,
        rows=pixels,
        columns=pixels,
    )


def _moved(grid: PixelGrid, by_mm: FloatArray) -> PixelGrid:
    return PixelGrid(
        as_vector(grid.origin + by_mm),
        grid.row_cosines,
        grid.column_cosines,
        *(grid.row_spacing_mm, grid.column_spacing_mm, grid.rows, grid.columns),
    )


def _view(
    knee: Knee,
    grid: PixelGrid,
    points: Mapping[Compartment, Mapping[Landmark, tuple[float, float, float]]],
    rng: np.random.Generator,
    randomness: Randomness,
) -> RandomView:
    bend = Bend.drawn(rng, randomness.bend)
    layers = knee.layers_at(_bent_raster(grid, bend))
    labels = labels_of(layers, (grid.rows, grid.columns))
    clean = _painted(layers, labels, rng, randomness)
    size = randomness.size_px
    image = _finished(_resized(clean, size), rng, randomness)
    nearest = _places(grid.rows, size).round().astype(np.intp)
    return RandomView(
        image=image,
        labels=labels[np.ix_(nearest, nearest)],
        landmarks={
            compartment: {name: _carried(grid, bend, point, size) for name, point in found.items()}
            for compartment, found in points.items()
        },
        pixel_mm=grid.row_spacing_mm * grid.rows / size,
        mirror=knee.mirror,
    )


@dataclass(frozen=True)
class Bend:
    """A smooth displacement of the picture, as a sum of cosines.

    Coordinates run from 0 to 1 over the picture; what is shown at p lies at p + displacement(p).

    Parameters
    ----------
    weights
        Amplitude of each mode along columns and rows, shape (2, MODES, MODES).
    """

    weights: FloatArray

    @classmethod
    def drawn(cls, rng: np.random.Generator, largest: float) -> Bend:
        """Draw a displacement nowhere larger than `largest`."""
        weights = rng.normal(size=(2, MODES, MODES)) / (1 + np.add.outer(*[np.arange(MODES)] * 2))
        total = np.abs(weights).sum(axis=(1, 2), keepdims=True)
        return cls(weights / total * largest * rng.uniform())

    def displacement(self, rows: FloatArray, columns: FloatArray) -> FloatArray:
        """Displacement along columns and rows on a raster, shape (2, rows, columns)."""
        return np.asarray(_modes(rows) @ self.weights @ _modes(columns).T, dtype=np.float64)

    def shown_at(self, place: FloatArray) -> FloatArray:
        """Where a point of the undeformed picture is shown; `place` is (column, row)."""
        shown = place
        for _ in range(UNBEND_STEPS):
            column, row = shown
            shown = place - self.displacement(np.array([row]), np.array([column]))[:, 0, 0]
        return shown


def _modes(places: FloatArray) -> FloatArray:
    return np.cos(np.pi * np.multiply.outer(places, np.arange(MODES)))


def _bent_raster(grid: PixelGrid, bend: Bend) -> Image:
    """Points shown by the pixels of a deformed picture, shape (rows, columns, 3)."""
    places = (np.arange(grid.rows) + 0.5) / grid.rows
    across, down = bend.displacement(places, places).astype(np.float32) * np.float32(grid.rows)
    index = np.arange(grid.rows, dtype=np.float32)
    column_mm = (across + index) * np.float32(grid.column_spacing_mm)
    row_mm = (down + index[:, np.newaxis]) * np.float32(grid.row_spacing_mm)
    axes = grid.row_direction.astype(np.float32), grid.column_direction.astype(np.float32)
    origin = grid.origin.astype(np.float32)
    return np.stack(
        [origin[axis] + column_mm * axes[0][axis] + row_mm * axes[1][axis] for axis in range(3)],
        axis=-1,
    )


def _carried(
    grid: PixelGrid, bend: Bend, point: tuple[float, float, float], size: int
) -> tuple[float, float]:
    """Pixel of the finished picture at which a patient point is shown."""
    place = (grid.to_pixel(point) + 0.5) / grid.rows
    column, row = bend.shown_at(place) * size - 0.5
    return float(column), float(row)


def _painted(
    layers: list[Layer],
    labels: NDArray[np.uint8],
    rng: np.random.Generator,
    randomness: Randomness,
) -> Image:
    """Paint every tissue in its own random intensity and texture."""
    colours = rng.uniform(0.0, 1.0, len(Tissue)).astype(np.float32)
    blur_mm = rng.uniform(*randomness.blur_mm)
    canvas = np.full(labels.shape, colours[Tissue.AIR] * 0.2, dtype=np.float32)
    for layer in layers:
        window = canvas[layer.where]
        window += layer.coverage(blur_mm) * (colours[layer.tissue] - window)
    roughness = rng.uniform(*randomness.texture, len(Tissue)).astype(np.float32)
    grain = _resized(_normal(rng, int(rng.integers(24, len(labels)))), len(labels))
    return canvas + roughness[labels] * grain


def _finished(image: Image, rng: np.random.Generator, randomness: Randomness) -> Image:
    """Shade the picture, bend its grey scale and add Rician noise."""
    places = (np.arange(len(image)) + 0.5) / len(image)
    weights = rng.normal(scale=0.15, size=(MODES, MODES))
    shading = np.exp(_modes(places) @ weights @ _modes(places).T).astype(np.float32)
    shaded = np.clip(image, 0.0, None) ** np.float32(rng.uniform(0.7, 1.4)) * shading
    sd = np.float32(rng.uniform(*randomness.noise))
    real, imaginary = (sd * _normal(rng, len(image)) for _ in range(2))
    return np.asarray(np.hypot(shaded + real, imaginary), dtype=np.float32)


def _normal(rng: np.random.Generator, size: int) -> Image:
    return rng.standard_normal((size, size), dtype=np.float32)


def _resized(image: Image, size: int) -> Image:
    """Interpolate a square image linearly to another size, pixel edges staying in place."""
    places = _places(len(image), size)
    weights = 1 - np.abs(places[:, np.newaxis] - np.arange(len(image)))
    matrix = np.clip(weights, 0.0, None).astype(np.float32)
    return np.asarray(matrix @ image @ matrix.T, dtype=np.float32)


def _places(have: int, size: int) -> FloatArray:
    """Pixel of an image of `have` pixels at which each of `size` pixels lies."""
    places = (np.arange(size) + 0.5) * have / size - 0.5
    return np.clip(places, 0, have - 1)

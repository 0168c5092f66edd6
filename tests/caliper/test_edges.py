"""Sub-pixel edges on synthetic steps: true position, truthful uncertainty, honest refusal."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from meniscal_measure.caliper.edges import WINDOW_HALF_LENGTH_MM, refine_edge
from meniscal_measure.errors import EdgeNotFoundError
from meniscal_measure.geometry import FloatArray, PixelGrid

SIZE = 41
HEIGHT = 100.0
Sight = Callable[..., FloatArray]


@pytest.fixture(scope="session")
def square() -> Callable[..., PixelGrid]:
    """Small oblique image plane of the given row and column spacing."""

    def build(row_mm: float = 0.4, column_mm: float = 0.4) -> PixelGrid:
        cosine, sine = math.cos(0.2), math.sin(0.2)
        return PixelGrid(
            (3.0, -20.0, 8.0), (cosine, sine, 0), (0, 0, -1), row_mm, column_mm, SIZE, SIZE
        )

    return build


def step_image(
    grid: PixelGrid,
    position_mm: float,
    *,
    blur_mm: float,
    noise: float = 0.0,
    tilt_deg: float = 0.0,
    seed: int = 0,
) -> FloatArray:
    """Edge crossing the row through the image centre at `position_mm` from it, with noise."""
    columns, rows = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    offsets = grid.to_patient(np.stack([columns, rows], axis=-1)) - grid.centre
    tilt = math.radians(tilt_deg)
    normal = math.cos(tilt) * grid.row_direction + math.sin(tilt) * grid.column_direction
    distance_mm = offsets @ normal - position_mm * math.cos(tilt)
    clean = 20.0 + HEIGHT * ndtr(distance_mm / blur_mm)
    generator = np.random.default_rng(seed)
    return np.asarray(clean + generator.normal(0, 1, (SIZE, SIZE)) * noise)


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
@pytest.mark.parametrize("spacing_mm", [(0.4, 0.4), (0.3, 0.6), (0.7, 0.35)])
def test_noiseless_edge_is_found_at_every_phase_of_the_pixels(
    square: Callable[..., PixelGrid], spacing_mm: tuple[float, float], tilt_deg: float
) -> None:
    grid = square(*spacing_mm)
    pixel_mm = math.sqrt(spacing_mm[0] * spacing_mm[1])
    for phase_mm in np.linspace(-0.5, 0.5, 11) * spacing_mm[1]:
        image = step_image(grid, phase_mm, blur_mm=0.6 * pixel_mm, tilt_deg=tilt_deg)
        edge = refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)
        assert edge.shift_mm == pytest.approx(phase_mm, abs=1e-5)
        assert edge.blur_mm == pytest.approx(
            0.6 * pixel_mm / math.cos(math.radians(tilt_deg)), rel=1e-3
        )


def test_point_moves_along_the_direction_only(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = step_image(grid, 0.3, blur_mm=0.25)
    edge = refine_edge(image, grid, point_mm=grid.centre, direction=-2 * grid.row_direction)
    assert edge.shift_mm == pytest.approx(-0.3, abs=1e-4)
    assert edge.point_mm == pytest.approx(tuple(grid.centre + 0.3 * grid.row_direction), abs=1e-4)


def test_falling_edge_is_found_like_a_rising_one(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = 255.0 - step_image(grid, 0.7, blur_mm=0.25)
    edge = refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)
    assert edge.shift_mm == pytest.approx(0.7, abs=1e-4)


def test_box_shaped_pixels_bias_the_edge_by_less_than_a_fiftieth_of_a_pixel(
    square: Callable[..., PixelGrid],
) -> None:
    # Partial volume: every pixel is the mean of a sharp step over its own width, a shape the
    # Gaussian model only resembles.
    grid = square()
    errors_px = []
    for phase_px in np.linspace(-0.5, 0.5, 21):
        columns = np.arange(SIZE) - (SIZE - 1) / 2 - phase_px
        image = np.tile(HEIGHT * np.clip(columns + 0.5, 0, 1), (SIZE, 1))
        image = image + np.random.default_rng(7).normal(0, 1, image.shape)
        edge = refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)
        errors_px.append(edge.shift_mm / 0.4 - phase_px)
    assert abs(np.mean(errors_px)) < 0.02
    assert max(np.abs(errors_px)) < 0.1


@pytest.mark.parametrize(("noise", "tilt_deg"), [(5.0, 0.0), (10.0, 15.0)])
def test_stated_uncertainty_is_the_scatter_of_repeated_images(
    square: Callable[..., PixelGrid], noise: float, tilt_deg: float
) -> None:
    # 200 images at random phases: the scatter itself is known to 5 %, the coverage to 1.5 %.
    grid = square()
    phases_mm = np.random.default_rng(1).uniform(-0.2, 0.2, 200)
    edges = [
        refine_edge(
            step_image(grid, phase, blur_mm=0.24, noise=noise, tilt_deg=tilt_deg, seed=seed),
            grid,
            point_mm=grid.centre,
            direction=grid.row_direction,
        )
        for seed, phase in enumerate(phases_mm)
    ]
    errors_mm = np.array([edge.shift_mm for edge in edges]) - phases_mm
    sds_mm = np.array([edge.sd_mm for edge in edges])
    assert abs(errors_mm.mean()) < 0.02 * 0.4
    assert np.median(sds_mm) == pytest.approx(errors_mm.std(), rel=0.15)
    assert 0.90 <= np.mean(np.abs(errors_mm) < 1.96 * sds_mm) <= 0.99


def test_stated_uncertainty_reaches_the_cramer_rao_bound(
    square: Callable[..., PixelGrid],
) -> None:
    # Cramer-Rao: the variance of an unbiased position is at least noise^2 / sum of the squared
    # derivatives of the pixel values; the unknown slope, blur and levels can only add to it.
    grid = square(0.3, 0.3)
    noise, blur_mm = 5.0, 0.24
    image = step_image(grid, 0.1, blur_mm=blur_mm, noise=noise, seed=3)
    edge = refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)
    along_mm = (np.arange(SIZE) - (SIZE - 1) / 2) * 0.3 - 0.1
    used = along_mm[np.abs(along_mm) <= WINDOW_HALF_LENGTH_MM]
    rows = 5  # within 0.75 mm of the line
    derivatives = HEIGHT * norm.pdf(used / blur_mm) / blur_mm
    bound_mm = noise / math.sqrt(rows * float(derivatives @ derivatives))
    assert bound_mm * 0.75 <= edge.sd_mm <= bound_mm * 1.35


@pytest.mark.parametrize(
    ("image", "reason"),
    [
        (np.full((SIZE, SIZE), 7.0), "all pixels near the point have the same value"),
        (np.random.default_rng(4).normal(100, 10, (SIZE, SIZE)), "contrast is only"),
    ],
)
def test_no_edge_is_refused(
    square: Callable[..., PixelGrid], image: FloatArray, reason: str
) -> None:
    grid = square()
    with pytest.raises(EdgeNotFoundError, match=reason):
        refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)


def test_noise_alone_is_hardly_ever_taken_for_an_edge(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    generator = np.random.default_rng(5)
    found = 0
    for _ in range(100):
        try:
            refine_edge(
                generator.normal(100, 10, (SIZE, SIZE)),
                grid,
                point_mm=grid.centre,
                direction=grid.row_direction,
            )
        except EdgeNotFoundError:
            continue
        found += 1
    assert found <= 1


def test_edge_beyond_the_search_range_is_refused(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = step_image(grid, 2.0, blur_mm=0.25, noise=1.0)
    with pytest.raises(EdgeNotFoundError, match=r"more than 1\.50 mm away"):
        refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)


def test_gradual_rise_is_refused(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = step_image(grid, 0.0, blur_mm=3.0, noise=1.0)
    with pytest.raises(EdgeNotFoundError, match="rise too gradually"):
        refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)


def test_thin_line_is_no_single_step(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = step_image(grid, -0.6, blur_mm=0.3) - step_image(grid, 0.9, blur_mm=0.3)
    noisy = image + np.random.default_rng(6).normal(0, 3, image.shape)
    with pytest.raises(EdgeNotFoundError, match=r"do not follow a single step|contrast is only"):
        refine_edge(noisy, grid, point_mm=grid.centre, direction=grid.row_direction)


def test_point_at_the_border_is_refused(square: Callable[..., PixelGrid]) -> None:
    grid = square()
    image = step_image(grid, 0.0, blur_mm=0.25)
    with pytest.raises(EdgeNotFoundError, match="too near the border"):
        refine_edge(image, grid, point_mm=grid.origin, direction=grid.row_direction)

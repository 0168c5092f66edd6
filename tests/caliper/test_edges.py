"""Sub-pixel edges on synthetic steps: true position, truthful uncertainty, honest refusal."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from meniscal_measure.caliper import edges
from meniscal_measure.caliper.blurred_step import BlurredStep, StepFit, WindowPixels, fit_step
from meniscal_measure.caliper.edges import WINDOW_HALF_LENGTH_MM, check_fit, refine_edge
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


# What is fitted, and what is not


def shift_mm(image: FloatArray, grid: PixelGrid) -> float:
    return refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction).shift_mm


@pytest.mark.parametrize(("spacing_mm", "beyond_mm"), [(0.4, 2.7), (1.0, 5.8)])
def test_a_second_edge_beyond_the_window_does_not_draw_the_first(
    square: Callable[..., PixelGrid], spacing_mm: float, beyond_mm: float
) -> None:
    """The window reaches 2 mm from the edge, and 4 pixels where pixels are coarse."""
    grid = square(spacing_mm, spacing_mm)
    blur_mm = 0.5 * spacing_mm
    one = step_image(grid, 0.0, blur_mm=blur_mm)
    two = one + 0.5 * step_image(grid, beyond_mm, blur_mm=blur_mm)
    assert shift_mm(two, grid) == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize(("spacing_mm", "radius_mm"), [(0.3, 5.0), (1.0, 20.0)])
def test_a_convex_edge_is_drawn_inward_by_less_than_a_fiftieth_of_a_millimetre(
    square: Callable[..., PixelGrid], spacing_mm: float, radius_mm: float
) -> None:
    """The sagitta within the window's width: y^2 / 2r on average."""
    grid = square(spacing_mm, spacing_mm)
    columns, rows = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    x, y = (columns - SIZE // 2) * spacing_mm + radius_mm, (rows - SIZE // 2) * spacing_mm
    disc = 20.0 + HEIGHT * ndtr((radius_mm - np.hypot(x, y)) / (0.6 * spacing_mm))
    assert -0.02 < shift_mm(np.asarray(disc), grid) < -0.005


def test_the_point_spread_is_fitted_between_a_third_of_a_pixel_and_two(
    square: Callable[..., PixelGrid],
) -> None:
    grid = square()
    for blur_px in (0.31, 1.9):
        image = step_image(grid, 0.05, blur_mm=blur_px * 0.4)
        edge = refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)
        assert edge.blur_mm == pytest.approx(blur_px * 0.4, rel=0.01)
    with pytest.raises(EdgeNotFoundError, match="rise too gradually"):
        shift_mm(step_image(grid, 0.05, blur_mm=2.2 * 0.4), grid)


@pytest.mark.parametrize("side", ["first column", "last column", "first row", "last row"])
def test_half_of_the_window_on_the_image_is_enough_and_less_is_not(
    square: Callable[..., PixelGrid], side: str
) -> None:
    """Of 3.5 mm either way and 0.75 mm to the sides, 66 pixels: 33 with two beyond the point."""
    grid = square()
    edge = np.add.outer(np.zeros(SIZE), 20 + HEIGHT * ndtr((np.arange(SIZE) - 3.0) / 0.6))
    image = edge if "first" in side else edge[:, ::-1]
    image, direction = (
        (image, grid.row_direction) if "column" in side else (image.T, grid.column_direction)
    )

    def found(pixels_from_border: float) -> float:
        along = pixels_from_border if "first" in side else SIZE - 1 - pixels_from_border
        across = SIZE // 2
        pixel = [along, across] if "column" in side else [across, along]
        point_mm = grid.to_patient(pixel)
        return abs(refine_edge(image, grid, point_mm=point_mm, direction=direction).shift_mm)

    assert found(2.0) == pytest.approx(0.4, abs=0.01)
    with pytest.raises(EdgeNotFoundError, match="too near the border"):
        found(1.0)


GOOD = StepFit(BlurredStep(0.3, 0.1, 0.24, 20.0, 100.0), 0.02, 50.0, 2.0)


@pytest.mark.parametrize(
    ("fit", "reason"),
    [
        (replace(GOOD, contrast_to_noise=4.0, durbin_watson=1.0), None),
        (replace(GOOD, contrast_to_noise=3.9), "contrast is only 3.9 .*, less than 4"),
        (replace(GOOD, step=replace(GOOD.step, position_mm=1.5)), None),
        (replace(GOOD, step=replace(GOOD.step, position_mm=-1.5)), None),
        (replace(GOOD, step=replace(GOOD.step, position_mm=1.51)), "more than 1.50 mm away"),
        (replace(GOOD, step=replace(GOOD.step, position_mm=-1.51)), "more than 1.50 mm away"),
        (replace(GOOD, step=replace(GOOD.step, blur_mm=0.79)), None),
        (replace(GOOD, step=replace(GOOD.step, blur_mm=0.8)), "rise too gradually"),
        (replace(GOOD, position_sd_mm=0.2), None),
        (replace(GOOD, position_sd_mm=0.21), "not determined by the pixels"),
        (replace(GOOD, contrast_to_noise=19.9, durbin_watson=0.99), "not follow a single step"),
        (replace(GOOD, contrast_to_noise=20.0, durbin_watson=0.99), None),
    ],
)
def test_what_counts_as_an_edge(fit: StepFit, reason: str | None) -> None:
    """The limits for pixels of 0.4 mm: half a pixel, two pixels, and the search range."""
    if reason is None:
        check_fit(fit, search_mm=1.5, pixel_mm=0.4)
    else:
        with pytest.raises(EdgeNotFoundError, match=reason):
            check_fit(fit, search_mm=1.5, pixel_mm=0.4)


@pytest.mark.parametrize("pixel_mm", [0.3, 1.2])
def test_the_window_has_its_millimetres_and_at_least_its_pixels_either_way(
    square: Callable[..., PixelGrid], monkeypatch: pytest.MonkeyPatch, pixel_mm: float
) -> None:
    """Coarse pixels would leave too few of them in a window of a few millimetres."""
    windows: list[WindowPixels] = []

    def fit(pixels: WindowPixels, start: BlurredStep, blur_mm: tuple[float, float]) -> StepFit:
        windows.append(pixels)
        return fit_step(pixels, start, blur_mm)

    monkeypatch.setattr(edges, "fit_step", fit)
    grid = square(pixel_mm, pixel_mm)
    image = step_image(grid, 0.1, blur_mm=0.6 * pixel_mm)
    refine_edge(image, grid, point_mm=grid.centre, direction=grid.row_direction)

    (window,) = windows
    length_mm = max(edges.WINDOW_HALF_LENGTH_MM, edges.MIN_WINDOW_PX[0] * pixel_mm)
    width_mm = max(edges.WINDOW_HALF_WIDTH_MM, edges.MIN_WINDOW_PX[1] * pixel_mm)
    assert np.ptp(window.along_mm) == pytest.approx(2 * length_mm, abs=2 * pixel_mm)
    assert np.ptp(window.across_mm) == pytest.approx(2 * width_mm, abs=2 * pixel_mm)

"""Images unlike those of the training are named for what is unlike."""

import numpy as np
import pytest

from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate.unusual import unusual

PICTURE = np.random.default_rng(1).integers(0, 4096, (64, 64))


def grid(pixel_mm: float = 0.5) -> PixelGrid:
    return PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), pixel_mm, pixel_mm, 64, 64)


def test_an_ordinary_image_is_not_unusual() -> None:
    assert unusual(grid(), 3.3, PICTURE) == ()
    assert unusual(grid(), None, PICTURE // 16) == ()  # 8 bits


@pytest.mark.parametrize(
    ("pixel_mm", "spacing_mm", "image", "said"),
    [
        (1.2, 3.3, PICTURE, "A pixel of 1.20 mm is coarser"),
        (0.5, 7.0, PICTURE, "A distance of 7.0 mm between slices is coarser"),
        (0.5, 3.3, (16 * (PICTURE / 4096) ** 3).astype(int), "only 16 different ones"),
        (0.5, 3.3, np.minimum(PICTURE, 2048), "% of the signal at the brightest one"),
    ],
    ids=["pixel", "spacing", "levels", "clipped"],
)
def test_what_is_unusual_is_said(
    pixel_mm: float, spacing_mm: float, image: np.ndarray, said: str
) -> None:
    (finding,) = unusual(grid(pixel_mm), spacing_mm, image)
    assert said in finding.words()

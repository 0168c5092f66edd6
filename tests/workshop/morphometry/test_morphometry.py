"""Shape figures of solids whose figures are known, and the comparison with real knees."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.workshop.knees.population import draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.workshop.morphometry.bone_section import Bones
from tests.workshop.morphometry.comparison import (
    SHIFT_SD,
    Agreement,
    compared,
)
from tests.workshop.morphometry.drawn import bones_of
from tests.workshop.morphometry.figures import OFFSETS_MM, knee_figures

HALF_WIDTH, HALF_DEPTH, RADIUS = 37.0, 21.0, 2.0
WALL_DEG, TILT_DEG = 13.0, 2.0
SPINES = ((5.0, 11.0), (-6.0, 9.0))
SPINE_HALF_WIDTH = 4.0
GAP, TIBIAL, FEMORAL = 5.0, 2.0, 1.5
CONDYLE_HALF_WIDTH, NOTCH_HALF_WIDTH, ROOF = 35.0, 9.0, 24.0
SPINE_Y = 1.0
SIZE = 140
"""Voxels along each side of the label map."""


class LabelledBones:
    """A label map as bone fields: masks blurred a little, looked up between voxels.

    Parameters
    ----------
    labels
        Label of each voxel, array [u, y, z] towards medial, backwards, upwards.
    spacing_mm
        Voxel spacing along each axis.
    origin_mm
        Place of the first voxel's centre.
    sets
        Labels that make up femur, tibia, tibial and femoral cartilage.
    blur_mm
        Blur along each axis, as the real label maps were blurred.
    """

    def __init__(
        self,
        labels: NDArray[np.integer[Any]],
        spacing_mm: tuple[float, float, float],
        origin_mm: tuple[float, float, float],
        sets: tuple[tuple[int, ...], ...],
        blur_mm: tuple[float, float, float] = (0.6, 0.5, 0.35),
    ) -> None:
        sigma = [blur / step for blur, step in zip(blur_mm, spacing_mm, strict=True)]
        self._masks = [
            0.5 - ndimage.gaussian_filter(np.isin(labels, chosen).astype(np.float32), sigma)
            for chosen in sets
        ]
        self._spacing, self._origin = spacing_mm, origin_mm

    def __call__(
        self, u: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]
    ) -> Bones:
        """Bones at points in mm."""
        axes = np.broadcast_arrays(u, y, z)
        places = [
            (axis - start) / step
            for axis, start, step in zip(axes, self._origin, self._spacing, strict=True)
        ]
        return Bones(
            *(
                ndimage.map_coordinates(mask, places, order=1, mode="nearest")
                for mask in self._masks
            )
        )


def model(u: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]) -> Bones:
    """A flat-topped tibia under a box with a slot, tilted with the lateral side up."""
    turn = math.radians(TILT_DEG)
    across, up = math.cos(turn) * u - math.sin(turn) * z, math.sin(turn) * u + math.cos(turn) * z
    top = np.zeros(np.broadcast_shapes(u.shape, y.shape, z.shape))
    for centre, height in SPINES:
        share = ((across - centre) / SPINE_HALF_WIDTH) ** 2 + ((y - SPINE_Y) / 12.0) ** 2
        top = top + height * np.maximum(1.0 - share, 0.0)
    slope = math.tan(math.radians(WALL_DEG))
    side = (np.abs(across) - HALF_WIDTH - slope * up) * math.cos(math.radians(WALL_DEG))
    side = np.maximum(side, np.abs(y) - HALF_DEPTH)
    out, over = side + RADIUS, up - top + RADIUS
    tibia = np.hypot(np.maximum(out, 0), np.maximum(over, 0)) - RADIUS
    tibia = tibia + np.minimum(np.maximum(out, over), 0)
    box = np.maximum(np.abs(across) - CONDYLE_HALF_WIDTH, GAP - up)
    slot = np.maximum(np.abs(across) - NOTCH_HALF_WIDTH, up - GAP - ROOF)
    femur = np.maximum(np.maximum(box, -slot), np.abs(y - 2.0) - 30.0)
    return Bones(femur, tibia, np.maximum(tibia - TIBIAL, side + 4.0), femur - FEMORAL)


@pytest.fixture(scope="module")
def figures() -> dict[int, dict[str, float]]:
    return knee_figures(model)


@pytest.mark.parametrize(
    ("key", "expected", "tolerance"),
    [
        ("rimR_M", RADIUS, 0.15),
        ("wall_M", WALL_DEG, 0.3),
        ("wall_L", WALL_DEG, 0.3),
        ("tilt_rim_line", TILT_DEG, 0.1),
        ("gap_c_M", GAP, 0.2),
        ("gap_c_L", GAP, 0.2),
        ("tcart_c_M", TIBIAL, 0.2),
        ("fcart_c_L", FEMORAL, 0.2),
        ("spine_sep", 11.0, 0.5),
        ("spinebase_rim_M", HALF_WIDTH - SPINES[0][0] - SPINE_HALF_WIDTH, 1.6),
        ("notch_h", ROOF, 0.3),
        ("notch_w50", 2 * NOTCH_HALF_WIDTH, 0.5),
        ("ap_M", 2 * HALF_DEPTH, 2.0),
        ("frac_a", 0.5 + SPINE_Y / (2 * HALF_DEPTH), 0.03),
    ],
)
def test_figures_of_a_solid_of_known_shape(
    figures: dict[int, dict[str, float]], key: str, expected: float, tolerance: float
) -> None:
    assert figures[0][key] == pytest.approx(expected, abs=tolerance)


def test_heights_are_counted_from_the_rim_on_the_rounded_corner(
    figures: dict[int, dict[str, float]],
) -> None:
    inset = RADIUS * (1.0 - math.sqrt(0.5))
    assert figures[0]["spine_h_M"] == pytest.approx(SPINES[0][1] + inset, abs=0.2)
    assert figures[0]["fem_corner_h_M"] == pytest.approx(GAP + inset, abs=0.2)
    rim = 0.5 * figures[0]["width"]
    assert figures[0]["fem_corner_dx_M"] == pytest.approx(CONDYLE_HALF_WIDTH - rim, abs=0.3)


def test_a_spine_is_lower_beside_its_apex(figures: dict[int, dict[str, float]]) -> None:
    assert figures[-8]["spine_h_M"] < figures[-4]["spine_h_M"] < figures[0]["spine_h_M"]
    assert figures[8]["spine_h_M"] == pytest.approx(figures[-8]["spine_h_M"], abs=0.5)


def test_a_label_map_gives_the_figures_of_the_solid_it_was_made_from(
    figures: dict[int, dict[str, float]],
) -> None:
    spacing, origin = (0.8, 0.8, 0.5), (-56.0, -46.0, -34.0)
    axes = [start + step * np.arange(SIZE) for start, step in zip(origin, spacing, strict=True)]
    bones = model(*np.meshgrid(*axes, indexing="ij", sparse=True))
    labels = np.zeros((SIZE,) * 3, np.uint8)
    for value, field in ((4, bones.femoral_cartilage), (3, bones.tibial_cartilage)):
        labels[field < 0] = value
    labels[bones.femur < 0], labels[bones.tibia < 0] = 1, 2
    sets = ((1,), (2,), (2, 3), (1, 4))
    found = knee_figures(LabelledBones(labels, spacing, origin, sets, (0.3, 0.3, 0.3)))
    for key in ("width", "spine_h_M", "gap_c_M", "notch_h", "fem_corner_dx_L", "tcart_c_M"):
        assert found[0][key] == pytest.approx(figures[0][key], abs=0.5)


def test_a_set_of_equal_knees_has_no_spread(figures: dict[int, dict[str, float]]) -> None:
    found = {(item.figure, item.offset_mm): item for item in compared([figures] * 5)}
    assert found["spine_h_M", 0].verdict == "spread"
    assert found["width", 0].drawn[0] == pytest.approx(figures[0]["width"])
    assert {offset for _, offset in found} == set(OFFSETS_MM)


def test_agreement_is_judged_by_mean_and_spread() -> None:
    real = (10.0, 2.0)
    verdicts = [
        Agreement("width", 0, "good", real, drawn, 30).verdict
        for drawn in ((10.9, 2.5), (11.1, 2.0), (10.0, 3.0), (8.0, 1.0))
    ]
    assert verdicts == ["ok", "mean", "spread", "mean and spread"]


@pytest.fixture(
    scope="module", params=[10, pytest.param(24, marks=pytest.mark.campaign)], ids="{} knees".format
)
def drawn(request: pytest.FixtureRequest) -> list[dict[int, dict[str, float]]]:
    """Knees of the population; what a few agree with, many do in the campaign."""
    rng = np.random.default_rng(5)
    knees = [SyntheticKnee(draw_parameters(rng)) for _ in range(request.param)]
    return [knee_figures(bones_of(knee)) for knee in knees]


@pytest.mark.parametrize("offset_mm", OFFSETS_MM)
def test_drawn_knees_have_the_shape_of_real_ones_from_front_to_back(
    drawn: list[dict[int, dict[str, float]]], offset_mm: int
) -> None:
    """Means of 44 knees of the Osteoarthritis Initiative; see `tests/workshop/morphometry`.

    A mean may differ by what counts as agreement, and by two of its standard errors.
    """
    keys = {"width", "spine_h_M", "spine_h_L", "notch_h", "fem_corner_dx_M", "fem_corner_h_L"}
    found = [
        item for item in compared(drawn) if item.figure in keys and item.offset_mm == offset_mm
    ]
    assert len(found) >= 5
    for item in found:
        assert abs(item.shift) < SHIFT_SD + 2.0 / len(drawn) ** 0.5, item


def test_the_notch_is_closed_at_the_apex_and_open_behind(
    drawn: list[dict[int, dict[str, float]]],
) -> None:
    """Closed in 38 of 44 knees at the apex of the medial spine, in 1 at 8 mm behind it."""
    closed = {
        offset: np.mean([math.isfinite(knee[offset]["notch_h"]) for knee in drawn])
        for offset in OFFSETS_MM
    }
    assert closed[-4] == 1.0
    assert closed[0] > 0.7
    assert closed[8] < 0.25

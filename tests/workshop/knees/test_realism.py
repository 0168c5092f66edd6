"""Synthetic slices beside a real knee: order of the tissues, sharpness of edges, noise.

The real knee is one person under unknown settings (its header is nominal), so only orders and
magnitudes are asked for; `pytest -s` prints the numbers. Where to look on the real slices was
chosen by eye.
"""

from __future__ import annotations

from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage, stats

import meniscal_measure
from meniscal_measure.caliper.edges import refine_edge
from meniscal_measure.errors import EdgeNotFoundError
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.receive import Coil
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue

Discs = dict[Tissue, list[tuple[float, float, float]]]

MID_SLICE = 16
REAL_DISCS: dict[str, Discs] = {
    "COR PD FS": {
        Tissue.FLUID: [(70, 192, 3)],
        Tissue.CARTILAGE: [(105, 188, 1.5), (190, 189, 1.2)],
        Tissue.MUSCLE: [(180, 60, 8), (78, 270, 8)],
        Tissue.MARROW: [(115, 100, 8), (115, 160, 6), (175, 235, 8)],
        Tissue.LATERAL_MENISCUS: [(84, 184, 2)],
        Tissue.AIR: [(25, 200, 10), (270, 160, 10)],
    },
    "COR T1": {
        Tissue.FAT: [(42, 110, 3), (50, 180, 3)],
        Tissue.MARROW: [(95, 70, 8), (80, 122, 6), (140, 190, 8)],
        Tissue.MUSCLE: [(140, 40, 8), (62, 220, 6)],
        Tissue.CARTILAGE: [(88, 150, 1.5)],
        Tissue.LATERAL_MENISCUS: [(69, 147, 2)],
        Tissue.AIR: [(15, 150, 8)],
    },
}
"""Discs (column, row, radius in pixels) inside each tissue of the middle real slice."""

REAL_SHAFT_EDGES = [(75.5, 30.0), (75.5, 35.0), (75.5, 40.0), (75.0, 45.0)]
"""Where the marrow of the femoral shaft begins inside its lateral cortex, on the T1 slice."""

PROTOCOL_OF = {"COR PD FS": ProtocolName.PD_TSE_FS, "COR T1": ProtocolName.T1_TSE}
NOMINAL_MM = {"COR PD FS": 0.5, "COR T1": 0.625}

DEEP_PX = 2.0
FEWEST_DEEP = 20
"""How far from any other tissue a pixel counts as well inside, and how many such must there be."""

TEN_TO_NINETY = float(stats.norm.ppf(0.9) - stats.norm.ppf(0.1))
"""Width of a Gaussian-blurred step from 10 to 90 % in standard deviations, 2.563."""


def disc_values(image: FloatArray, discs: list[tuple[float, float, float]]) -> FloatArray:
    rows, columns = np.indices(image.shape)
    inside = np.zeros(image.shape, dtype=bool)
    for column, row, radius in discs:
        inside |= np.hypot(columns - column, rows - row) <= radius
    return image[inside]


def real_slice(study: Path, description: str) -> tuple[FloatArray, PixelGrid]:
    found = meniscal_measure.read(study)
    stack = next(s for s in found.stacks if s.identity.series_description == description)
    pixels = read_pixels(stack, [MID_SLICE])[0]
    return np.asarray(pixels, dtype=np.float64), stack.frames[MID_SLICE].grid


@cache
def synthetic(description: str) -> ScannedStack:
    spacing_mm = NOMINAL_MM[description]
    rows = round(160 / spacing_mm)
    plan = StackPlan(
        *(StackPlane.CORONAL, 3, rows, rows, spacing_mm, spacing_mm, 3.0, 6.0), (0.0, -6.0, 0.0)
    )
    scanner = Scanner(snr=50.0, coil=Coil(4, falloff=0.6))
    protocol = PROTOCOLS[PROTOCOL_OF[description]]
    return scan(SyntheticKnee(KneeParameters()), plan, protocol, scanner=scanner, seeds=(1, 1))


def tissue_values(stack: ScannedStack, tissue: Tissue) -> NDArray[np.uint16]:
    """Values well inside a tissue, as the real discs are; of a thin one all values."""
    deep = [ndimage.distance_transform_edt(here == tissue) >= DEEP_PX for here in stack.labels]
    inside = np.stack(deep)
    enough = np.count_nonzero(inside) >= FEWEST_DEEP
    return np.asarray(stack.pixels[inside if enough else stack.labels == tissue])


@pytest.mark.parametrize("description", REAL_DISCS)
def test_tissues_are_ordered_as_in_a_real_knee(real_study: Path, description: str) -> None:
    image, _ = real_slice(real_study, description)
    stack = synthetic(description)
    discs = REAL_DISCS[description]
    # Coils dim the muscle at the ends of the picture by about a third against the menisci.
    reference_real = float(np.median(disc_values(image, discs[Tissue.MUSCLE])))
    reference_made = float(np.median(tissue_values(stack, Tissue.MUSCLE)))
    real, made = {}, {}
    for tissue, places in discs.items():
        here = np.quantile(disc_values(image, places) / reference_real, [0.1, 0.5, 0.9])
        there = np.quantile(tissue_values(stack, tissue) / reference_made, [0.1, 0.5, 0.9])
        real[tissue], made[tissue] = float(here[1]), float(there[1])
        print(f"{description:10} {tissue.name:16} real {here.round(2)} synthetic {there.round(2)}")
    order = sorted(real, key=lambda tissue: real[tissue])
    assert stats.kendalltau(*([d[t] for t in order] for d in (real, made))).statistic > 0.7


def test_edges_are_of_the_sharpness_of_a_real_knee(real_study: Path) -> None:
    """From 10 to 90 % at the inner border of the femoral shaft's cortex, T1-weighted.

    The real edges rise within a pixel, at the limit of what can be fitted, on a nominal spacing;
    the synthetic ones take nearly two. Of these 1.0 mm the k-space window makes 0.3, the fat of
    the marrow displaced against its water 0.2, the slope of the cortex through the slice 0.05.
    The window stays: neighbouring pixels of real air are correlated by 0.2, of synthetic air 0.1.
    """
    image, grid = real_slice(real_study, "COR T1")
    real = edge_widths_mm(image, grid, REAL_SHAFT_EDGES)
    stack = synthetic("COR T1")
    made = edge_widths_mm(stack.pixels[1], stack.grids[1], shaft_edges(stack.labels[1]))
    print(f"10-90 % width: real {np.median(real):.2f} mm, synthetic {np.median(made):.2f} mm")
    assert 0.5 < np.median(made) / np.median(real) < 3.0


def edge_widths_mm(
    image: NDArray[np.generic], grid: PixelGrid, places: list[tuple[float, float]]
) -> list[float]:
    """Widths at those places whose pixels follow a single step."""
    widths = []
    for place in places:
        with suppress(EdgeNotFoundError):
            start = grid.to_patient(place)
            edge = refine_edge(image, grid, point_mm=start, direction=grid.row_direction)
            widths.append(TEN_TO_NINETY * edge.blur_mm)
    assert len(widths) >= 2
    return widths


def shaft_edges(labels: NDArray[np.uint8]) -> list[tuple[float, float]]:
    """Where marrow begins on some rows of the femoral shaft."""
    rows = (4, 8, 12, 16)
    return [(float(np.argmax(labels[row] == Tissue.MARROW)) - 0.5, float(row)) for row in rows]


def test_noise_is_of_the_size_of_a_real_knee(real_study: Path) -> None:
    """Mean of air over that of muscle; magnitude noise has no zero mean in either."""
    image, _ = real_slice(real_study, "COR PD FS")
    discs = REAL_DISCS["COR PD FS"]
    real = (
        disc_values(image, discs[Tissue.AIR]).mean()
        / disc_values(image, discs[Tissue.MUSCLE]).mean()
    )
    stack = synthetic("COR PD FS")
    made = tissue_values(stack, Tissue.AIR).mean() / tissue_values(stack, Tissue.MUSCLE).mean()
    print(f"air over muscle: real {real:.3f}, synthetic {made:.3f}")
    assert 0.3 < made / real < 3.0

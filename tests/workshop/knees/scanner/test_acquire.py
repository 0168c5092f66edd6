"""A whole acquisition of simple objects whose signal and edges are known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.layers import Layer
from meniscal_measure.workshop.knees.scanner.acquire import FULL_SCALE, Scanner, scan
from meniscal_measure.workshop.knees.scanner.fat_suppression import LEFT_OVER, SuppressionFailure
from meniscal_measure.workshop.knees.scanner.kspace import Motion
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.receive import Coil
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.scanner.signal import chemical_shift_px, tissue_signals
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

PLAN = StackPlan(StackPlane.CORONAL, 2, 96, 96, 0.5, 0.5, 3.0, 3.0)
IDEAL = Scanner(snr=np.inf, matrix_fraction=(1.0, 1.0), texture=0.0, chemical_shift=False)
SMOOTH = replace(IDEAL, matrix_fraction=(0.4, 0.4))
"""Zero-filled, so that an edge is shown by several pixels and crosses its half evenly."""
IW = PROTOCOLS[ProtocolName.IW_TSE]

EVERYWHERE = (slice(None), slice(None))


@dataclass(frozen=True)
class Bar:
    """An upright bar of one tissue, 15 mm wide from an edge that may be tilted, in another."""

    tissue: Tissue
    around: Tissue = Tissue.AIR
    edge_mm: float = 0.0
    tilt: float = 0.0

    def layers_at(self, points: NDArray[np.floating]) -> list[Layer]:
        slope = np.hypot(1.0, self.tilt)
        beyond_mm = (points[..., 0] + self.tilt * points[..., 2] - self.edge_mm) / slope
        return [
            Layer(self.around, Depth.SKIN, np.full_like(beyond_mm, -1000.0), EVERYWHERE),
            Layer(self.tissue, Depth.MUSCLE, np.abs(beyond_mm - 7.5) - 7.5, EVERYWHERE),
        ]


def edge_column(row: FloatArray) -> float:
    """Column at which a row first crosses half of the bar's signal, between pixels linearly.

    A symmetric point spread leaves the half-way crossing of an edge in place.
    """
    half = np.median(row[row > row.max() / 2]) / 2
    after = int(np.argmax(row > half))
    return after - float((row[after] - half) / (row[after] - row[after - 1]))


@pytest.mark.parametrize("tissue", [Tissue.FAT, Tissue.FLUID, Tissue.CARTILAGE, Tissue.MUSCLE])
@pytest.mark.parametrize("name", [ProtocolName.IW_TSE, ProtocolName.T1_TSE, ProtocolName.GRE_WE])
def test_grey_values_keep_the_ratios_of_the_signal_equation(
    name: ProtocolName, tissue: Tissue
) -> None:
    protocol = replace(PROTOCOLS[name], fat_suppressed=False)
    stack = scan(Bar(tissue, tissue), PLAN, protocol, scanner=IDEAL, seeds=(1, 1))
    signals = tissue_signals(protocol, 3.0).sum(axis=0)
    expected = FULL_SCALE * signals[tissue] / signals.max()
    assert np.abs(stack.pixels - expected).max() <= 0.5 + 1e-6


@pytest.mark.parametrize("edge_mm", [0.0, 0.07, 0.13, 0.21, 0.33])
def test_an_edge_lies_where_the_object_has_it(edge_mm: float) -> None:
    stack = scan(Bar(Tissue.FLUID, edge_mm=edge_mm), PLAN, IW, scanner=SMOOTH, seeds=(1, 1))
    row = stack.pixels[0].astype(float).mean(axis=0)
    expected = stack.grids[0].to_pixel([edge_mm, 0, 0])[0]
    assert edge_column(row) == pytest.approx(expected, abs=1 / 25)


def test_an_edge_tilted_in_the_slice_is_not_biased() -> None:
    specimen = Bar(Tissue.FLUID, edge_mm=0.11, tilt=0.3)
    stack = scan(specimen, PLAN, IW, scanner=SMOOTH, seeds=(1, 1))
    grid = stack.grids[0]
    found = np.array([edge_column(row) for row in stack.pixels[0].astype(float)[20:-20]])
    heights_mm = grid.to_patient(np.stack([np.zeros(56), np.arange(20, 76)], axis=-1))[:, 2]
    edges_mm = np.stack([0.11 - 0.3 * heights_mm, 0 * heights_mm, heights_mm], axis=-1)
    assert np.mean(found - grid.to_pixel(edges_mm)[:, 0]) == pytest.approx(0.0, abs=0.02)


def test_partial_volume_averages_the_tissues_through_the_slice() -> None:
    """A slice cut in two halves by a border in its plane shows the mean of both."""

    class Floor:
        def layers_at(self, points: NDArray[np.floating]) -> list[Layer]:
            return [Layer(Tissue.FLUID, Depth.SKIN, points[..., 1], EVERYWHERE)]

    plan = replace(PLAN, slices=1)
    stack = scan(Floor(), plan, IW, scanner=IDEAL, seeds=(1, 1))
    whole = scan(Bar(Tissue.FLUID, Tissue.FLUID), plan, IW, scanner=IDEAL, seeds=(1, 1))
    assert stack.pixels.mean() == pytest.approx(whole.pixels.mean() / 2, abs=1)


def test_fat_is_displaced_by_the_chemical_shift() -> None:
    shifting = replace(SMOOTH, chemical_shift=True)
    still = scan(Bar(Tissue.FAT), PLAN, IW, scanner=SMOOTH, seeds=(1, 1)).pixels[0]
    moved = scan(Bar(Tissue.FAT), PLAN, IW, scanner=shifting, seeds=(1, 1)).pixels[0]
    acquired_px = chemical_shift_px(IW.bandwidth_hz_per_px, 3.0)
    expected = acquired_px / round(96 * 0.4) * 96
    found = edge_column(moved[40].astype(float)) - edge_column(still[40].astype(float))
    assert found == pytest.approx(expected, abs=0.1)


def test_suppressed_fat_keeps_a_small_part_of_its_signal_and_more_where_it_fails() -> None:
    protocol = PROTOCOLS[ProtocolName.PD_TSE_FS]
    failing = replace(IDEAL, failure=SuppressionFailure(1.0, (0.0, 0.0, 1.0)))
    plan = replace(PLAN, row_spacing_mm=1.5, slices=1)
    even = scan(Bar(Tissue.FAT, Tissue.FAT), plan, protocol, scanner=IDEAL, seeds=(1, 1))
    failed = scan(Bar(Tissue.FAT, Tissue.FAT), plan, protocol, scanner=failing, seeds=(1, 1))
    water, fat = tissue_signals(protocol, 3.0)
    left = water + LEFT_OVER * fat
    expected = FULL_SCALE * left[Tissue.FAT] / left.max()
    assert np.abs(even.pixels - expected).max() <= 0.5 + 1e-6
    assert failed.pixels[0, 2].mean() > 4 * failed.pixels[0, -3].mean()


def test_the_signal_to_noise_ratio_is_the_one_asked_for() -> None:
    specimen = Bar(Tissue.CARTILAGE, Tissue.CARTILAGE)
    stack = scan(specimen, PLAN, IW, scanner=replace(IDEAL, snr=20.0), seeds=(1, 1))
    assert stack.pixels.mean() / stack.pixels.std() == pytest.approx(20.0, rel=0.02)


@pytest.mark.parametrize(
    "scanner",
    [
        replace(IDEAL, snr=30.0, coil=Coil(4, falloff=0.5)),
        replace(IDEAL, motion=Motion(0.6, 5)),
        replace(IDEAL, texture=1.0),
    ],
)
def test_seeds_fix_the_picture_and_matter_only_where_something_is_drawn(scanner: Scanner) -> None:
    first, again, other = (
        scan(Bar(Tissue.MUSCLE), PLAN, IW, scanner=scanner, seeds=seeds).pixels
        for seeds in ((1, 1), (1, 1), (2, 2))
    )
    np.testing.assert_array_equal(first, again)
    drawn = scanner.texture > 0 or bool(np.isfinite(scanner.snr))
    assert np.array_equal(first, other) is not drawn


def test_labels_name_the_tissue_at_the_pixel_centres() -> None:
    stack = scan(Bar(Tissue.FAT, Tissue.MUSCLE), PLAN, IW, scanner=IDEAL, seeds=(1, 1))
    assert (stack.labels[:, :, 48:78] == Tissue.FAT).all()
    assert (np.delete(stack.labels, np.s_[48:78], axis=2) == Tissue.MUSCLE).all()


def test_progress_is_reported_after_each_slice() -> None:
    done: list[None] = []
    scan(
        Bar(Tissue.FAT),
        PLAN,
        IW,
        scanner=IDEAL,
        seeds=(1, 1),
        progress=lambda: done.append(None),
    )
    assert len(done) == PLAN.slices

"""A series of a synthetic knee, from another generator than the networks were trained on."""

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.landmarks import Origin, SliceLandmarks
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate import released
from meniscal_measure.locate.choice import Declined
from meniscal_measure.locate.margins import AUGMENTATIONS
from meniscal_measure.locate.propose import APEX, NEIGHBOURS, SECOND, Proposal, propose
from meniscal_measure.series.model import (
    Stack,
)
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.training.worlds import as_stack

WITHIN_MM = 1.5
"""What the proposal may be off on one ordinary knee; the model card has the distribution."""
WEIGHTS_LIMIT_BYTES = 20_000_000


def a_stack(grids: Sequence[PixelGrid]) -> Stack:
    return as_stack(Path("none.dcm"), grids)


@pytest.fixture(scope="module")
def knee() -> SyntheticKnee:
    return SyntheticKnee(KneeParameters())


@pytest.fixture(scope="module")
def scanned(knee: SyntheticKnee) -> ScannedStack:
    plan = StackPlan(StackPlane.CORONAL, 7, 190, 190, 0.8, 0.8, 4.0, 4.4)
    return scan(
        knee, plan, PROTOCOLS[ProtocolName.PD_TSE_FS], scanner=Scanner(snr=40), seeds=(1, 1)
    )


@pytest.fixture(scope="module")
def proposal(scanned: ScannedStack) -> Proposal:
    """What is proposed for the knee, which is a right one."""
    found = propose(a_stack(scanned.grids), scanned.pixels, Side.RIGHT)
    assert isinstance(found, Proposal), found
    return found


@pytest.fixture(scope="module")
def middle(scanned: ScannedStack) -> ScannedStack:
    """Its three slices through the middle of the joint."""
    near = slice(2, 5)
    return replace(scanned, grids=scanned.grids[near], pixels=scanned.pixels[near])


@pytest.fixture(scope="module")
def from_middle(middle: ScannedStack) -> Proposal:
    """What is proposed from these slices alone."""
    found = propose(a_stack(middle.grids), middle.pixels, Side.RIGHT)
    assert isinstance(found, Proposal), found
    return found


def along_rims_mm(found: SliceLandmarks, knee: SyntheticKnee, grid: PixelGrid) -> list[float]:
    """Errors of rims and edges along the line of the true rims."""
    truth = knee.landmarks_on(grid)
    assert truth is not None
    rims = [np.array(truth[c][Landmark.RIM]) for c in (Compartment.MEDIAL, Compartment.LATERAL)]
    line = (rims[0] - rims[1]) / np.linalg.norm(rims[0] - rims[1])
    return [
        float((np.array(found.points[c][name].point_mm) - truth[c][name]) @ line)
        for c in truth
        for name in (Landmark.RIM, Landmark.OUTER_EDGE)
    ]


def test_rims_and_edges_are_proposed_near_the_truth(
    knee: SyntheticKnee, scanned: ScannedStack, proposal: Proposal
) -> None:
    assert knee.parameters.side is Side.RIGHT
    measured = proposal.landmarks.measured
    errors = along_rims_mm(measured, knee, scanned.grids[measured.slice_index])
    assert np.abs(errors).max() < WITHIN_MM
    assert len(proposal.landmarks.neighbours) == 2 * NEIGHBOURS
    assert 0 < proposal.confidence <= 1
    assert all(
        point.origin is Origin.PROPOSED and point.sd_mm > 0
        for placed in measured.points.values()
        for point in placed.values()
    )


def test_the_slice_chosen_is_within_one_of_the_spine(
    knee: SyntheticKnee, scanned: ScannedStack, proposal: Proposal
) -> None:
    apex = np.array(knee.mid_coronal.medial_spine_apex)
    nearest = min(
        range(len(scanned.grids)), key=lambda i: abs(float(scanned.grids[i].off_plane_mm(apex)))
    )
    assert abs(proposal.landmarks.measured.slice_index - nearest) <= 1


def test_naming_the_slice_that_is_chosen_gives_the_same_landmarks(
    scanned: ScannedStack, proposal: Proposal
) -> None:
    chosen = proposal.landmarks.measured.slice_index
    named = propose(a_stack(scanned.grids), scanned.pixels, Side.RIGHT, slice_index=chosen)
    assert isinstance(named, Proposal), named
    assert named.landmarks.measured == proposal.landmarks.measured
    assert named.landmarks.neighbours == proposal.landmarks.neighbours


@pytest.mark.parametrize("kept", [slice(0, 2), slice(5, 7)], ids=["front", "back"])
def test_a_stack_without_the_middle_of_the_joint_is_declined(
    scanned: ScannedStack, kept: slice
) -> None:
    proposal = propose(a_stack(scanned.grids[kept]), scanned.pixels[kept], Side.RIGHT)
    assert isinstance(proposal, Declined)
    assert re.search(r"seems to lie \d+\.\d mm from the nearest slice", proposal.reason)


def test_without_a_side_the_compartments_are_those_of_the_image(scanned: ScannedStack) -> None:
    proposal = propose(a_stack(scanned.grids), scanned.pixels, None)
    assert isinstance(proposal, Proposal), proposal
    assert set(proposal.landmarks.measured.points) == {
        Compartment.IMAGE_LEFT,
        Compartment.IMAGE_RIGHT,
    }


def test_a_picture_stored_upside_down_gives_the_same_patient_points(
    middle: ScannedStack, from_middle: Proposal
) -> None:
    flipped = [
        replace(
            grid,
            position_mm=tuple(grid.to_patient([0, grid.rows - 1])),
            column_cosines=tuple(-np.array(grid.column_cosines)),
        )
        for grid in middle.grids
    ][::-1]
    pixels = middle.pixels[::-1, ::-1]
    turned = propose(a_stack(flipped), pixels, Side.RIGHT)
    assert isinstance(turned, Proposal), turned
    for compartment, placed in from_middle.landmarks.measured.points.items():
        other = turned.landmarks.measured.points[compartment]
        assert other[Landmark.RIM].point_mm == pytest.approx(
            placed[Landmark.RIM].point_mm, abs=0.05
        )


RESAMPLED_WITHIN_MM = 0.4
"""Rims and outer edges of the same knee in other pixels, half a pixel of the coarser image."""


def resampled(scanned: ScannedStack, row_mm: float, column_mm: float) -> ScannedStack:
    """The same images in pixels of other heights and widths, the corner of the field kept."""
    old = scanned.grids[0]
    step = np.array([column_mm / old.column_spacing_mm, row_mm / old.row_spacing_mm])
    columns, rows = (int(n / s) for n, s in zip((old.columns, old.rows), step, strict=True))
    first = step / 2 - 0.5
    grids = [
        replace(
            grid,
            position_mm=tuple(grid.to_patient(first)),
            row_spacing_mm=row_mm,
            column_spacing_mm=column_mm,
            rows=rows,
            columns=columns,
        )
        for grid in scanned.grids
    ]
    places = np.mgrid[:rows, :columns] * step[::-1, None, None] + first[::-1, None, None]
    pixels = [map_coordinates(image.astype(float), places, order=1) for image in scanned.pixels]
    return replace(scanned, grids=tuple(grids), pixels=np.stack(pixels))


@pytest.mark.parametrize(("row_mm", "column_mm"), [(0.5, 0.5), (0.6, 0.9)])
def test_a_stack_in_other_pixels_gives_the_same_proposal(
    middle: ScannedStack, from_middle: Proposal, row_mm: float, column_mm: float
) -> None:
    other = resampled(middle, row_mm, column_mm)
    found = propose(a_stack(other.grids), other.pixels, Side.RIGHT)
    assert isinstance(found, Proposal), found
    one, again = (p.landmarks.measured for p in (from_middle, found))
    assert again.slice_index == one.slice_index
    for compartment, placed in one.points.items():
        for name in (Landmark.RIM, Landmark.OUTER_EDGE):
            point_mm = again.points[compartment][name].point_mm
            assert point_mm == pytest.approx(placed[name].point_mm, abs=RESAMPLED_WITHIN_MM)


def noise(shape: tuple[int, ...]) -> NDArray[np.float64]:
    return np.abs(np.random.default_rng(2).normal(size=shape)) * 300


def test_noise_is_declined_in_words(middle: ScannedStack) -> None:
    proposal = propose(a_stack(middle.grids), noise(middle.pixels.shape), Side.RIGHT)
    assert isinstance(proposal, Declined)
    assert "place the landmarks by hand" in proposal.reason


def test_a_tibia_void_of_signal_is_declined(knee: SyntheticKnee, middle: ScannedStack) -> None:
    rims = knee.landmarks_on(middle.grids[1])
    assert rims is not None
    row = float(middle.grids[1].to_pixel(rims[Compartment.MEDIAL][Landmark.RIM])[1])
    spoilt = middle.pixels.astype(float)
    spoilt[:, int(row) + 2 : int(row) + 12, :] *= 0.03
    proposal = propose(a_stack(middle.grids), spoilt, knee.parameters.side)
    assert isinstance(proposal, Declined)


def test_the_networks_are_small_and_as_released() -> None:
    for name in ("survey", SECOND, *APEX, *{item.network for item in AUGMENTATIONS}):
        assert len(released.checked(name)) > 0
    folder = Path(released.__file__).parent / "weights"
    assert sum(file.stat().st_size for file in folder.glob("*.onnx")) < WEIGHTS_LIMIT_BYTES

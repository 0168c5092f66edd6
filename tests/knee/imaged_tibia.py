"""Knees with a known movement between two examinations, imaged quickly: grey values by tissue."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial.transform import Rotation

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import PixelGrid, Vector, as_vector
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.knee.tibia_images import TibiaImages
from meniscal_measure.workshop.knees.scanner.sampling import (
    StackPlan,
    StackPlane,
    pixel_points,
    stack_grids,
)
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue

GREY = np.random.default_rng(3).uniform(20, 200, len(Tissue) + 1)
GREY[0], GREY[Tissue.MARROW], GREY[Tissue.CORTICAL_BONE] = 0.0, 160.0, 15.0
"""Grey value of each tissue; that of the other contrast is its mirror image, air apart."""


@dataclass(frozen=True)
class Imaging:
    """How a knee is imaged."""

    slices: int = 17
    spacing_mm: float = 3.3
    pixel_mm: float = 0.9
    turn_deg: Vector = (0.0, 0.0, 0.0)
    offset_mm: Vector = (0.0, 0.0, -8.0)
    mirrored: bool = False
    noise: float = 6.0
    seed: int = 1


def grids_of(how: Imaging) -> tuple[PixelGrid, ...]:
    """Lay out the slices in the coordinates of the knee."""
    plan = StackPlan(
        StackPlane.CORONAL,
        how.slices,
        round(84 / how.pixel_mm),
        round(100 / how.pixel_mm),
        how.pixel_mm,
        how.pixel_mm,
        how.spacing_mm,
        how.spacing_mm,
        how.offset_mm,
        how.turn_deg,
    )
    return stack_grids(plan)


def imaged(knee: SyntheticKnee, how: Imaging, moved: RigidMove | None = None) -> TibiaImages:
    """Image a knee; `moved` is how the patient lies otherwise than in the knee's coordinates."""
    grids = grids_of(how)
    pixels = np.stack([_slice(knee, grid, how) for grid in grids])
    noise = np.random.default_rng(how.seed).normal(0, how.noise, pixels.shape)
    middle = grids[len(grids) // 2]
    truth = knee.landmarks_on(middle)
    assert truth is not None
    rims = [np.array(truth[c][Landmark.RIM]) for c in (Compartment.MEDIAL, Compartment.LATERAL)]
    if moved is not None:
        grids, rims = tuple(moved_grid(grid, moved) for grid in grids), list(map(moved, rims))
    stored = (pixels + noise).astype(np.float32)
    return TibiaImages(stored, grids, as_vector(rims[0]), as_vector(rims[1]))


def _slice(knee: SyntheticKnee, grid: PixelGrid, how: Imaging) -> NDArray[np.float64]:
    grey = 215.0 - GREY if how.mirrored else GREY
    grey[0] = 0.0
    offsets = np.array([-0.3, 0.0, 0.3]) * how.spacing_mm
    layers = [grey[_labels(knee, grid, float(offset))] for offset in offsets]
    return np.asarray(ndimage.gaussian_filter(np.mean(layers, axis=0), 0.6), dtype=np.float64)


@cache
def _labels(knee: SyntheticKnee, grid: PixelGrid, offset_mm: float) -> NDArray[np.uint8]:
    """Tissues at a distance from a slice, the same in every contrast and with any noise."""
    return knee.tissue_at(pixel_points(grid) + offset_mm * grid.normal)


def moved_grid(grid: PixelGrid, move: RigidMove) -> PixelGrid:
    """Give a plane that moves with the patient."""
    return replace(
        grid,
        position_mm=as_vector(move(grid.origin)),
        row_cosines=as_vector(move.rotation @ grid.row_direction),
        column_cosines=as_vector(move.rotation @ grid.column_direction),
    )


def movement(turn_deg: Vector, shift_mm: Vector) -> RigidMove:
    """Make a movement of turns about x, y and z, and a shift."""
    turn = Rotation.from_euler("xyz", turn_deg, degrees=True)
    return RigidMove(turn.as_matrix(), np.array(shift_mm))

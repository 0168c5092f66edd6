"""From a coronal series to a proposed slice and landmarks, or to the reason why there are none."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.checks import MIN_STEP_SD
from meniscal_measure.caliper.landmarks import (
    LandmarkSet,
    Origin,
    PlacedLandmark,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.caliper.measure import slice_geometry
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import FloatArray, PixelGrid, as_vector, unit_vector
from meniscal_measure.locate import calibration
from meniscal_measure.locate.bone import is_void
from meniscal_measure.locate.consensus import middle_mm, smoothed
from meniscal_measure.locate.margins import AUGMENTATIONS, Augmentation, Margin, MarginModel, Place
from meniscal_measure.locate.survey import Survey, is_upended, survey
from meniscal_measure.series.model import Stack

NEIGHBOURS = 2
"""Slices on each side of the middle one on which landmarks are proposed."""
POINTS = (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)
SMOOTH = (0, 1)
"""Rim and outer edge follow the border of the plateau; the tip does not near the horns."""
SURE_TIP_SD = MIN_STEP_SD + 1
"""Standard deviations by which tip and outer edge must lie apart: one more than the caliper asks,
so that a tip is also sure along another axis than the line of the rims."""
TARGETS = {SliceConvention.MEDIAL_SPINE_APEX: 0, SliceConvention.PLATEAU_MIDPOINT: 1}
"""Slice conventions that can be proposed, with their place among the network's answers."""

VOID = (
    "The bone below the joint gives no signal, as beside metal; place the landmarks by hand if the"
    " joint can be measured at all."
)
UNSURE = (
    "The rims or the outer meniscal edges cannot be placed with any certainty on the slice that"
    " would be measured (index {index} from 0); place the landmarks by hand."
)
CONTRADICTORY = (
    "The landmarks found on the slice that would be measured contradict each other; place them by"
    " hand."
)


@dataclass(frozen=True)
class Proposal:
    """What the program proposes for a stack.

    `landmarks` is None where nothing is proposed; `reason` then says why, and otherwise how the
    slice was chosen. `confidence` estimates the probability that both rims and both outer edges
    on the measured slice lie within `calibration.GOOD_MM` of where a careful reader puts them.
    """

    landmarks: LandmarkSet | None
    confidence: float
    reason: str


def propose(
    stack: Stack,
    pixels: NDArray[np.generic],
    side: Side | None = None,
    *,
    convention: SliceConvention = SliceConvention.MEDIAL_SPINE_APEX,
) -> Proposal:
    """Propose the mid-coronal slice of a stack and the landmarks on it and on its neighbours.

    Parameters
    ----------
    stack
        A coronal stack.
    pixels
        Its grey values, shape (slices, rows, columns).
    side
        Body side; without it the compartments are those of the image.
    convention
        Which slice is the middle one.

    Returns
    -------
    Proposal
        Landmarks in patient space with calibrated standard deviations, origin `proposed`.
    """
    grids = [frame.grid for frame in stack.frames]
    positions = np.array(stack.positions_mm)
    seen = survey(grids, pixels)
    middle, disagreement = middle_mm(seen, positions, TARGETS[convention])
    index = int(np.abs(positions - middle).argmin())
    off_middle_mm = float(abs(positions[index] - middle))
    refusal = calibration.refusal(seen, index, disagreement, off_middle_mm)
    if refusal:
        return Proposal(None, calibration.doubt(seen, index), refusal)
    rims, upended = seen.pixels[index, :2], is_upended(grids[index])
    if is_void(pixels[index], grids[index], rims, upended=upended):
        return Proposal(None, 0.0, VOID)
    chosen = around(index, len(grids))
    margins = find_margins(grids, pixels, seen, chosen)
    confidence = calibration.confidence(seen, index, [margins[index, right] for right in (0, 1)])
    if confidence < calibration.LEAST_CONFIDENCE:
        return Proposal(None, confidence, UNSURE.format(index=index))
    slices = _placed(grids, margins, chosen, side, stack.spacing_mm)
    measured = slices.pop(chosen.index(index))
    if not _can_be_measured(measured, grids[index]):
        return Proposal(None, confidence, CONTRADICTORY)
    neighbours = tuple(item for item in slices if _can_be_measured(item, grids[item.slice_index]))
    reason = (
        f"Nearest to where the slices of the stack place the {convention.value.replace('_', ' ')},"
        f" with a spread of {disagreement:.1f} mm between them."
    )
    return Proposal(LandmarkSet(measured, neighbours, convention, reason), confidence, reason)


def around(index: int, count: int) -> list[int]:
    """List a slice and its neighbours, on which landmarks are proposed."""
    return list(range(max(index - NEIGHBOURS, 0), min(index + NEIGHBOURS + 1, count)))


def find_margins(
    grids: Sequence[PixelGrid],
    pixels: NDArray[np.generic],
    seen: Survey,
    chosen: Sequence[int],
    *,
    augmentations: Sequence[Augmentation] = AUGMENTATIONS,
) -> dict[tuple[int, int], Margin]:
    """Find the landmarks on both sides of the slices; keys are (slice, 0 left or 1 right)."""
    places = [
        Place(i, bool(right), rims[right], edges[right], rims[right] - rims[1 - right])
        for i, (rims, edges) in zip(chosen, seen.pixels[chosen].reshape(-1, 2, 2, 2), strict=True)
        for right in (0, 1)
    ]
    found = MarginModel(grids, pixels, augmentations).predict(places)
    keys = [(place.slice_index, int(place.right)) for place in places]
    return dict(zip(keys, found, strict=True))


def _placed(
    grids: Sequence[PixelGrid],
    margins: dict[tuple[int, int], Margin],
    chosen: Sequence[int],
    side: Side | None,
    spacing_mm: float | None,
) -> list[SliceLandmarks]:
    """Landmarks of each chosen slice, smoothed over the slices."""
    points: list[dict[Compartment, dict[Landmark, PlacedLandmark]]] = [{} for _ in chosen]
    for right in (0, 1):
        compartment = compartment_of(grids[chosen[0]], bool(right), side)
        course = along_slices(grids, [margins[i, right] for i in chosen], chosen, spacing_mm)
        for slice_points, (pixel, margin), index in zip(points, course, chosen, strict=True):
            slice_points[compartment] = _landmarks(grids[index], pixel, margin)
    return [
        SliceLandmarks(i, {name: _with_sure_tip(p, name) for name in p})
        for i, p in zip(chosen, points, strict=True)
    ]


def _with_sure_tip(
    points: Mapping[Compartment, Mapping[Landmark, PlacedLandmark]], compartment: Compartment
) -> dict[Landmark, PlacedLandmark]:
    """Leave out an free edge of which it is not sure that it lies inward of the outer edge."""
    placed = dict(points[compartment])
    if Landmark.FREE_EDGE in placed:
        tip, edge = placed[Landmark.FREE_EDGE], placed[Landmark.OUTER_EDGE]
        opposite = points[compartment.opposite][Landmark.RIM]
        axis = unit_vector(np.subtract(placed[Landmark.RIM].point_mm, opposite.point_mm))
        body_mm = float(np.subtract(edge.point_mm, tip.point_mm) @ axis)
        if body_mm < SURE_TIP_SD * max(tip.sd_mm, edge.sd_mm):
            del placed[Landmark.FREE_EDGE]
    return placed


def _can_be_measured(landmarks: SliceLandmarks, grid: PixelGrid) -> bool:
    """Whether the caliper takes these landmarks; it refuses what no knee can show."""
    try:
        slice_geometry(landmarks, grid, AxisConvention.RIM_TO_RIM)
    except LandmarkError:
        return False
    return True


def along_slices(
    grids: Sequence[PixelGrid],
    margins: Sequence[Margin],
    chosen: Sequence[int],
    spacing_mm: float | None,
) -> list[tuple[FloatArray, Margin]]:
    """Draw rim and outer edge smoothly over the slices; gives pixels of all points on each.

    A stack of one slice, which has no spacing, is left as it is.
    """
    grid = grids[chosen[0]]
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    pixels = np.stack([margin.pixels for margin in margins])
    if spacing_mm is None:
        return list(zip(pixels, margins, strict=True))
    for point in SMOOTH:
        sds = np.array([calibration.sd_mm(margin)[point] for margin in margins])
        for axis in (0, 1):
            course = smoothed(pixels[:, point, axis] * spacing[axis], sds, spacing_mm)
            pixels[:, point, axis] = course / spacing[axis]
    return list(zip(pixels, margins, strict=True))


def _landmarks(
    grid: PixelGrid, pixels: FloatArray, margin: Margin
) -> dict[Landmark, PlacedLandmark]:
    sds = calibration.sd_mm(margin)
    return {
        landmark: PlacedLandmark(as_vector(grid.to_patient(pixel)), float(sd), Origin.PROPOSED)
        for landmark, pixel, sd in zip(POINTS, pixels, sds, strict=True)
        if landmark is not Landmark.FREE_EDGE or sd < calibration.WORST_TIP_SD_MM
    }


def compartment_of(grid: PixelGrid, right: bool, side: Side | None) -> Compartment:
    """Compartment on the right or left of the picture."""
    if side is None:
        return Compartment.IMAGE_RIGHT if right else Compartment.IMAGE_LEFT
    toward = math.copysign(1, grid.row_direction[0]) * (1 if right else -1)
    return Compartment.MEDIAL if toward == side.medial_x else Compartment.LATERAL

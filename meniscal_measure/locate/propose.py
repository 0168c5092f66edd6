"""From a coronal series to a proposed slice and landmarks, or to the reason why there are none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.landmarks import LandmarkSet, SliceLandmarks
from meniscal_measure.caliper.measure import slice_geometry
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import LandmarkError
from meniscal_measure.findings import Finding
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.locate.bone import is_void
from meniscal_measure.locate.choice import (
    ChosenSlice,
    Declined,
    choose_slice,
    named_by_person,
    the_only_one,
)
from meniscal_measure.locate.evidence import Evidence
from meniscal_measure.locate.margins import find_margins
from meniscal_measure.locate.place import landmarks_of
from meniscal_measure.locate.survey import Survey, is_upended, survey
from meniscal_measure.locate.unusual import unusual
from meniscal_measure.locate.verdict import judged
from meniscal_measure.series.model import Stack

NEIGHBOURS = 2
"""Slices on each side of the measured one on which landmarks are proposed."""
APEX = ("apex_a", "apex_b")
"""Networks that choose the slice: taught to look at the joint alone, they know better where it is,
but find landmarks less surely on images unlike those of their training."""
SECOND = "survey_b"
"""The first stage's second network, trained from another seed: it sees mirror images."""
MIRROR_PIXEL_MM = 1.06
"""Pixel of the frame in which mirror images are shown: a little larger than in training."""

CONTRADICTORY = (
    "The landmarks found on the slice that would be measured contradict each other; place them by"
    " hand."
)


@dataclass(frozen=True)
class Proposal:
    """What the program proposes for a stack.

    `confidence` estimates the probability that both rims and both outer edges on the measured slice
    lie within `calibration.GOOD_MM` of where a careful reader puts them; `findings` say what lowers
    it and what to check.
    """

    landmarks: LandmarkSet
    confidence: float
    findings: tuple[Finding, ...] = ()


def propose(
    stack: Stack,
    pixels: NDArray[np.generic],
    side: Side | None = None,
    *,
    slice_index: int | None = None,
) -> Proposal | Declined:
    """Propose the slice to measure and the landmarks on it and on its neighbours.

    Parameters
    ----------
    stack
        A coronal stack.
    pixels
        Its grey values, shape (slices, rows, columns).
    side
        Body side; without it the compartments are those of the image.
    slice_index
        The slice to measure, where a person has chosen it.

    Returns
    -------
    Proposal or Declined
        Landmarks in patient space with calibrated standard deviations, origin `proposed`.
    """
    grids = [frame.grid for frame in stack.frames]
    if slice_index is not None:
        chosen = named_by_person(slice_index)
    elif len(grids) == 1:
        chosen = the_only_one()
    else:
        chosen = choose_slice(apex_surveys(grids, pixels), stack, side)
    first = max(chosen.index - NEIGHBOURS - 1, 0)
    part = slice(first, chosen.index + NEIGHBOURS + 2)
    near = replace(stack, frames=stack.frames[part], positions_mm=stack.positions_mm[part])
    found = _on(near, pixels[part], side, replace(chosen, index=chosen.index - first))
    if isinstance(found, Declined):
        return replace(found, likely_slice=chosen.index)
    return _moved(found, first)


def _moved(proposal: Proposal, by: int) -> Proposal:
    """Count the slices from the start of the whole stack."""
    slices = [
        replace(item, slice_index=item.slice_index + by)
        for item in (proposal.landmarks.measured, *proposal.landmarks.neighbours)
    ]
    landmarks = replace(proposal.landmarks, measured=slices[0], neighbours=tuple(slices[1:]))
    return replace(proposal, landmarks=landmarks)


def _on(
    stack: Stack, pixels: NDArray[np.generic], side: Side | None, chosen: ChosenSlice
) -> Proposal | Declined:
    """Propose on the chosen slice of a part of a stack, if it is one of a knee to be measured."""
    grids = [frame.grid for frame in stack.frames]
    evidence = evidence_of(grids, pixels, survey(grids, pixels), chosen.index)
    grid = evidence.grids[chosen.index]
    verdict = judged(evidence, unusual(grid, stack.spacing_mm, pixels[chosen.index]))
    if verdict.reason or chosen.objection:
        return Declined(verdict.reason or chosen.objection, chosen.index, verdict.confidence)
    near = around(chosen.index, len(stack.frames))
    slices = landmarks_of(evidence.grids, evidence.margins, near, side, stack.spacing_mm)
    measured = slices.pop(near.index(chosen.index))
    if not _can_be_measured(measured, grid):
        return Declined(CONTRADICTORY, chosen.index, verdict.confidence)
    neighbours = tuple(
        item for item in slices if _can_be_measured(item, evidence.grids[item.slice_index])
    )
    landmarks = LandmarkSet(measured, neighbours, chosen.convention, chosen.reason)
    findings = (*chosen.findings, *verdict.findings)
    return Proposal(landmarks, verdict.confidence, findings)


def apex_surveys(grids: Sequence[PixelGrid], pixels: NDArray[np.generic]) -> list[Survey]:
    """Run the networks that say where the apex of the medial spine lies on every slice."""
    return [survey(grids, pixels, network=network) for network in APEX]


def evidence_of(
    grids: Sequence[PixelGrid], pixels: NDArray[np.generic], seen: Survey, index: int
) -> Evidence:
    """Run all further networks on a slice and its neighbours.

    Parameters
    ----------
    grids, pixels
        The stack.
    seen
        What the first stage found on it.
    index
        The slice that would be measured.
    """
    close = [i for i in around(index, len(grids)) if abs(i - index) <= 1]
    mirror = survey(
        [grids[i] for i in close],
        pixels[close],
        network=SECOND,
        mirrored=True,
        pixel_mm=MIRROR_PIXEL_MM,
    )
    return Evidence(
        index,
        grids,
        seen,
        dict(zip(close, mirror.pixels, strict=True)),
        find_margins(grids, pixels, seen, around(index, len(grids))),
        is_void(pixels[index], grids[index], seen.pixels[index, :2], upended=is_upended(grids[0])),
    )


def around(index: int, count: int) -> list[int]:
    """List a slice and its neighbours, on which landmarks are proposed.

    Examples
    --------
    >>> around(1, 15), around(7, 15)
    ([0, 1, 2, 3], [5, 6, 7, 8, 9])
    """
    return list(range(max(index - NEIGHBOURS, 0), min(index + NEIGHBOURS + 1, count)))


def _can_be_measured(landmarks: SliceLandmarks, grid: PixelGrid) -> bool:
    """Whether the caliper takes these landmarks; it refuses what no knee can show."""
    try:
        slice_geometry(landmarks, grid, AxisConvention.RIM_TO_RIM)
    except LandmarkError:
        return False
    return True

"""One knee, opened: its coronal stack, its side, and what is proposed on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.checks import check_side
from meniscal_measure.caliper.landmarks import LandmarkSet
from meniscal_measure.errors import InputError, LandmarkError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.landmark_file import named_sop_instance_uids, read_landmark_file
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Choice, Identity, Laterality, Stack, Study
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import resolve_side

Propose = Callable[[Stack, Laterality], LandmarkSet | None]
"""Proposes slice and landmarks on a coronal stack, or says with an `InputError` why it cannot."""


@dataclass(frozen=True)
class OpenKnee:
    """A knee whose headers were read. `remark` says why a proposal could not be used."""

    knee: Knee
    study: Study
    choice: Choice
    laterality: Laterality
    proposal: LandmarkSet | None
    remark: str

    @property
    def stack(self) -> Stack:
        """The coronal stack that is read."""
        return self.choice.stack

    @cached_property
    def grids(self) -> tuple[PixelGrid, ...]:
        """Plane of every slice."""
        return tuple(frame.grid for frame in self.stack.frames)

    @property
    def images(self) -> str:
        """What a working state is bound to: the series, as its UID."""
        return self.stack.identity.series_instance_uid

    def side(self, told: Side | None) -> Laterality:
        """Settle the side, with what the reader or the work list tells.

        Raises
        ------
        SideError
            If the images contradict it.
        """
        return resolve_side(self.stack, told or self.knee.side)

    def pixels(self, index: int) -> NDArray[np.float32]:
        """Read one slice, shape (rows, columns).

        Raises
        ------
        UnreadableFileError
            If it is gone or cannot be decoded.
        """
        return np.asarray(read_pixels(self.stack, [index])[0])


def blinded(knee: OpenKnee) -> OpenKnee:
    """Take away everything that tells whose knee it is or what was proposed on it.

    What the page is told is made from this, so that it cannot say what it does not hold. The frames
    keep their files, which errors may name: `meniscal_measure.review.told` guards those.
    """
    stack = _anonymous(knee.stack)
    study = replace(knee.study, stacks=tuple(map(_anonymous, knee.study.stacks)))
    return replace(
        knee,
        study=study,
        choice=Choice(stack, "", ()),
        laterality=stack.laterality,
        proposal=None,
        remark="",
    )


def _anonymous(stack: Stack) -> Stack:
    """Keep of the identity only what relates stacks in space; it is never shown."""
    frame_of_reference = stack.identity.frame_of_reference_uid
    return replace(
        stack,
        identity=Identity("", "", "", "", "", "", None, "", frame_of_reference),
        laterality=replace(stack.laterality, hint=None, hint_source=""),
        findings=(),
    )


def open_knee(knee: Knee, propose: Propose | None) -> OpenKnee:
    """Read the headers of a knee, choose its coronal stack and find what is proposed.

    Parameters
    ----------
    knee
        Entry of the work list. Its landmark file, where it has one, is the proposal.
    propose
        Proposes landmarks where there is no landmark file.

    Raises
    ------
    MeniscalMeasureError
        If there is no coronal stack to be read or its side is contradictory.
    """
    study = open_study(knee.study)
    try:
        uids, remark = _named_images(knee), ""
    except LandmarkError as error:
        uids, remark = [], str(error)
    choice = choose_coronal(study, sop_instance_uid=uids[0] if uids else None)
    laterality = resolve_side(choice.stack, knee.side)
    proposal = None
    if not remark:
        try:
            proposal = _proposal(knee, choice.stack, laterality, propose)
        except InputError as error:
            remark = str(error)
    return OpenKnee(knee, study, choice, laterality, proposal, remark)


def _named_images(knee: Knee) -> list[str]:
    return sorted(named_sop_instance_uids(knee.landmarks)) if knee.landmarks else []


def _proposal(
    knee: Knee, stack: Stack, laterality: Laterality, propose: Propose | None
) -> LandmarkSet | None:
    if knee.landmarks is not None:
        found: LandmarkSet | None = read_landmark_file(knee.landmarks, stack.frames)
    else:
        found = propose(stack, laterality) if propose is not None else None
    if found is not None:
        for item in (found.measured, *found.neighbours):
            check_side(item, stack.frames[item.slice_index].grid, laterality.side)
    return found

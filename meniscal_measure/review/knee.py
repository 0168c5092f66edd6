"""One knee, opened: its coronal stack, its side, and what is proposed on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.checks import check_side
from meniscal_measure.errors import (
    InputError,
    LandmarkError,
    NothingMeasurableError,
    UnreadableFileError,
    UsageError,
)
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.records.landmark_document import LandmarkDocument
from meniscal_measure.records.landmark_file import read_landmarks
from meniscal_measure.review.worklist import Knee
from meniscal_measure.sentences import plain
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Choice, Identity, Laterality, Stack, Study
from meniscal_measure.series.pixels import StackPixels, read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import resolve_side
from meniscal_measure.slice_name import slice_name
from meniscal_measure.workflow.placing import Placed, from_document

Propose = Callable[[StackPixels, Laterality, int | None], Placed]
"""Proposes landmarks on a coronal stack, on the slice of an index or on one of its own choice; or
says with an `InputError` why it cannot."""


MOST_PROPOSED_SLICES = 512
"""A proposal reads all slices at once: 512 of 512 x 512 pixels take 0.5 GiB. The thinnest coronal
slices of a knee, 0.3 mm apart, are fewer (common practice, no source)."""


@dataclass(frozen=True)
class OpenKnee:
    """A knee whose headers were read.

    `proposal` is what the program or a landmark file proposes, and `remark` says why there is none.
    """

    knee: Knee
    study: Study
    choice: Choice
    laterality: Laterality
    proposal: Placed | None
    remark: str
    on_slices: Mapping[int, Placed] = field(default_factory=dict)
    """What the program proposes on slices that the reader named."""
    document: LandmarkDocument | None = None
    """The landmark file, read; None where there is none or it cannot be used."""
    likely_slice: int | None = None
    """Where nothing is proposed, the slice on which a reader should look first."""
    is_complete: bool = False
    """Whether a proposal was asked for, found or not."""

    @property
    def stack(self) -> Stack:
        """The coronal stack that is read."""
        return self.choice.stack

    @cached_property
    def grids(self) -> tuple[PixelGrid, ...]:
        """Plane of every slice."""
        return tuple(frame.grid for frame in self.stack.frames)

    def proposal_on(self, index: int) -> Placed | None:
        """Find what is proposed with this slice as the measured one."""
        if self.proposal is not None and self.proposal.landmarks.measured.slice_index == index:
            return self.proposal
        return self.on_slices.get(index)

    @property
    def images(self) -> str:
        """What a working state is bound to: the series, see `series_key`."""
        return series_key(self.study, self.stack)

    def slice_name(self, index: int) -> str:
        """Name a slice as people find it."""
        return slice_name(self.stack.frames, index).short.removeprefix("slice ")

    def side(self, stated: Side | None) -> Laterality:
        """Settle the side, with what the reader or the work list states.

        Raises
        ------
        SideError
            If the images contradict it.
        """
        return resolve_side(self.stack, stated or self.knee.side)


def middle_pixels(stack: Stack) -> NDArray[np.float32]:
    """Read the middle slice of a stack, or the readable one nearest to it where it is broken.

    Raises
    ------
    UnreadableFileError
        If none can be read.
    """
    middle = len(stack.frames) // 2
    broken: list[UnreadableFileError] = []
    for index in sorted(range(len(stack.frames)), key=lambda index: abs(index - middle)):
        try:
            return np.asarray(read_pixels(stack, [index])[0])
        except UnreadableFileError as error:
            broken.append(error)
    raise broken[0]


def blinded(knee: OpenKnee) -> OpenKnee:
    """Take away everything that tells whose knee it is or what was proposed on it.

    What the page shows is made from this. The frames keep their files, which errors may name:
    `endpoints.safe_words` guards those.
    """
    stack = _anonymous(knee.stack)
    return replace(
        knee, study=replace(knee.study, stacks=tuple(map(_anonymous, knee.study.stacks))),
        choice=Choice(stack, plain(""), ()), laterality=stack.laterality,
        proposal=None, remark="", on_slices={}, likely_slice=None, document=None,
    )  # fmt: skip


def _anonymous(stack: Stack) -> Stack:
    """Keep of the identity only what relates stacks in space; it is never shown."""
    frame_of_reference = stack.identity.frame_of_reference_uid
    return replace(
        stack,
        identity=Identity("", "", "", "", "", None, "", frame_of_reference),
        laterality=replace(stack.laterality, hints=()),
        findings=(),
    )


def open_knee(knee: Knee) -> OpenKnee:
    """Read the headers of a knee and choose its coronal stack; nothing is proposed yet.

    Raises
    ------
    MeniscalMeasureError
        If there is no coronal stack to be read or its side is contradictory.
    """
    study = open_study(knee.study)
    uids = {stack.identity.study_instance_uid for stack in study.stacks}
    remarks = []
    if len(uids) > 1:
        remarks.append(
            f"There are images of {len(uids)} studies at {study.path}; the series named below is"
            " shown. Give each knee a folder of its own."
        )
    document = None
    try:
        document = read_landmarks(knee.landmarks) if knee.landmarks else None
    except (LandmarkError, UsageError) as error:
        remarks.append(str(error))
    uid = document.sop_instance_uid if document else None
    choice = _chosen(study, knee.series, uid)
    if uid is not None and uid not in {frame.sop_instance_uid for frame in choice.stack.frames}:
        knee, document = replace(knee, landmarks=None), None  # placed on another series
    laterality = resolve_side(choice.stack, knee.side)
    said = " ".join(remarks)
    return OpenKnee(knee, study, choice, laterality, None, said, document=document)


def _chosen(study: Study, series: str, sop_instance_uid: str | None) -> Choice:
    if not series:
        return choose_coronal(study, sop_instance_uid=sop_instance_uid)
    for number, stack in enumerate(study.stacks, start=1):
        if series_key(study, stack) == series:
            return choose_coronal(study, stack_number=number)
    raise UsageError(
        "The reading of this knee was begun on other images than {path:private} holds now. Bring"
        " them back, name another store, or give the knee another name in the work list.",
        path=str(study.path),
    )


def series_key(study: Study, stack: Stack) -> str:
    """Name a stack within its study: its Series Instance UID, numbered where that holds several.

    Examples
    --------
    >>> stack = study.stacks[0]
    >>> series_key(study, stack) == stack.identity.series_instance_uid
    True
    """
    uid = stack.identity.series_instance_uid
    same = [other for other in study.stacks if other.identity.series_instance_uid == uid]
    return uid if len(same) == 1 else f"{uid} {same.index(stack) + 1}"


def with_proposal(knee: OpenKnee, propose: Propose | None) -> OpenKnee:
    """Find what is proposed on a knee: its landmark file, else what `propose` finds.

    Where that cannot be used, the remark of the knee says why.
    """
    try:
        return replace(knee, proposal=_proposal(knee, propose), is_complete=True)
    except InputError as error:
        if knee.document is not None:
            error.within("{file:private}", file=str(knee.knee.landmarks))
        remark = f"{knee.remark} {why_not_proposed(error, knee)}".strip()
        likely = error.likely_slice if isinstance(error, NothingMeasurableError) else None
        return replace(knee, remark=remark, likely_slice=likely, is_complete=True)


def why_not_proposed(error: InputError, knee: OpenKnee) -> str:
    """Say why nothing is proposed, without what is only of use on the command line."""
    reason = error.reason.values.get("reason")
    if isinstance(error, NothingMeasurableError) and isinstance(reason, str):
        return reason
    return error.words(slice_name=knee.slice_name)


def _proposal(knee: OpenKnee, propose: Propose | None) -> Placed | None:
    if knee.document is not None:
        return _on_its_side(from_document(knee.document, knee.study, knee.stack), knee)
    if propose is None or knee.knee.landmarks is not None:
        return None
    return propose_on(knee, propose)


def propose_on(knee: OpenKnee, propose: Propose, index: int | None = None) -> Placed:
    """Let the program propose on a knee, on the slice of an index or on one of its own choice.

    Raises
    ------
    InputError
        If nothing can be proposed; it says why.
    """
    count = len(knee.stack.frames)
    if count > MOST_PROPOSED_SLICES:
        raise NothingMeasurableError(
            "{reason}",
            reason=f"The series has {count} slices. Proposals are made on up to"
            f" {MOST_PROPOSED_SLICES}; place the landmarks by hand.",
        )
    return _on_its_side(propose(StackPixels(knee.stack), knee.laterality, index), knee)


def _on_its_side(found: Placed, knee: OpenKnee) -> Placed:
    for item in (found.landmarks.measured, *found.landmarks.neighbours):
        check_side(item, knee.grids[item.slice_index], knee.laterality.side)
    return found

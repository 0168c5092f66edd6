"""From a working state to a reading, and landmarks moved onto edges."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from meniscal_measure.caliper.landmarks import LandmarkSet, Origin, SliceLandmarks
from meniscal_measure.caliper.measure import slice_geometry
from meniscal_measure.caliper.reading import Conventions, Reading
from meniscal_measure.caliper.refinement import REFINABLE, refine_slice
from meniscal_measure.errors import EdgeNotFoundError, LandmarkError, SideError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.review.knee import OpenKnee
from meniscal_measure.review.state import (
    LANDMARK_NAMES,
    PixelLandmark,
    State,
    landmark_set,
)
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.side import CORRECTED, corrected_side
from meniscal_measure.workflow import measure_placed

NOTHING_PLACED = "Place the rim and the outer edge, and the rim on the other side."


@dataclass(frozen=True)
class Measured:
    """A reading, or in words why there is none yet; and the slices that were left out."""

    reading: Reading | None
    message: str = ""
    left_out: tuple[Finding, ...] = ()


def measure_state(knee: OpenKnee, state: State, conventions: Conventions) -> Measured:
    """Measure what the landmarks of a state allow, on every slice that has some.

    Slices beside the measured one that are not complete yet are left out, and said to be.
    """
    return _measured(knee, state, conventions, with_neighbours=True)


def measure_live(knee: OpenKnee, state: State, conventions: Conventions, index: int) -> Measured:
    """Measure one slice only, fast enough to follow a landmark that is being dragged.

    On the measured slice the others still enter the uncertainty.
    """
    if index != state.slice_index:
        state = replace(state, slice_index=index, landmarks={index: state.landmarks.get(index, {})})
    return _measured(knee, state, conventions, with_neighbours=False)


def _measured(
    knee: OpenKnee, state: State, conventions: Conventions, *, with_neighbours: bool
) -> Measured:
    state, unseen = _seen(state)
    proposal = knee.proposal_on(state.slice_index)
    placed = landmark_set(state, knee.grids, None if proposal is None else proposal.landmarks)
    if not placed.measured.points:
        return Measured(None, NOTHING_PLACED)
    began = proposal if state.proposed_landmarks else None
    placed, incomplete = _complete(placed, knee, conventions)
    left_out = (*unseen, *incomplete)
    try:
        reading = measure_placed(
            knee.choice,
            _side(knee, state),
            placed,
            conventions=conventions,
            findings=(*_correction(knee, state), *(began.findings if began else ())),
            measure_neighbours=with_neighbours,
            confidence=began.confidence if began else None,
        )
    except (LandmarkError, SideError) as error:
        return Measured(None, error.words(slice_name=knee.slice_name), left_out)
    return Measured(reading, "", left_out)


def _side(knee: OpenKnee, state: State) -> Laterality:
    if state.side is not None and state.side_reason:
        return corrected_side(knee.stack, state.side, f"{CORRECTED} ({state.side_reason})")
    return knee.side(state.side)


def _correction(knee: OpenKnee, state: State) -> Iterator[Finding]:
    known = knee.laterality
    if state.side is None or not state.side_reason or state.side is known.side:
        return
    values = {"side": state.side.word, "source": known.source, "reason": state.side_reason}
    yield Finding(Code.SIDE_CORRECTED, values)


def measure_proposal(knee: OpenKnee, state: State, conventions: Conventions) -> Reading | None:
    """Measure what was proposed, under the side the reader settled; None where it cannot be."""
    proposal = knee.proposal_on(state.slice_index) or knee.proposal
    if proposal is None:
        return None
    try:
        return measure_placed(
            knee.choice,
            _side(knee, state),
            proposal.landmarks,
            conventions=conventions,
            findings=proposal.findings,
            confidence=proposal.confidence,
        )
    except (LandmarkError, SideError):
        return None


def _seen(state: State) -> tuple[State, tuple[Finding, ...]]:
    """Leave out slices beside the measured one that the reader has not looked at.

    These are slices with carried landmarks, and, once the reader has set a landmark on the measured
    slice, those on which all are proposed: a change from a reader's landmarks to the program's is
    no slope along the slices.
    """
    left_out = {}
    for index, landmarks in state.landmarks.items():
        marks = landmarks.values()
        if index == state.slice_index or not marks:
            continue
        if any(mark.carried_from is not None for mark in marks):
            left_out[index] = Code.SLICE_NOT_ACCEPTED
        elif state.is_set_by_reader and all(mark.origin is Origin.PROPOSED for mark in marks):
            left_out[index] = Code.SLICE_ONLY_PROPOSED
    kept = {each: landmarks for each, landmarks in state.landmarks.items() if each not in left_out}
    findings = (Finding(code, where=index) for index, code in sorted(left_out.items()))
    return replace(state, landmarks=kept), tuple(findings)


def _complete(
    placed: LandmarkSet, knee: OpenKnee, conventions: Conventions
) -> tuple[LandmarkSet, tuple[Finding, ...]]:
    kept: list[SliceLandmarks] = []
    left_out: list[Finding] = []
    for item in placed.neighbours:
        try:
            slice_geometry(item, knee.grids[item.slice_index], conventions.axis)
            kept.append(item)
        except LandmarkError as error:
            values = {"reason": str(error.reason)}
            left_out.append(Finding(Code.SLICE_LEFT_OUT, values, item.slice_index))
    return replace(placed, neighbours=tuple(kept)), tuple(left_out)


def snap_landmark(
    knee: OpenKnee, state: State, index: int, name: str, conventions: Conventions
) -> PixelLandmark:
    """Move one landmark, such as `image_left_outer_edge`, along the measuring direction to an edge.

    Raises
    ------
    UsageError
        If the landmark is not placed or is of a kind that lies on no such edge.
    LandmarkError
        If the measuring direction is not known yet.
    EdgeNotFoundError
        If there is no edge nearby.
    """
    landmarks = state.landmarks.get(index, {})
    if name not in landmarks:
        raise UsageError("There is no such landmark on this slice. Place it first.")
    side, landmark = LANDMARK_NAMES[name]
    if landmark not in REFINABLE:
        raise UsageError(
            "Only outer edges can be snapped: the other landmarks lie on no straight edge."
        )
    before = landmark_set(State(index, {index: landmarks}), knee.grids, None).measured
    (image,) = read_pixels(knee.stack, [index])
    refined = refine_slice(before, image, knee.grids[index], conventions.axis)
    record = refined.landmarks.points[side][landmark]
    if record == before.points[side][landmark]:
        reasons = (str(found.values["reason"]) for found in refined.findings)
        raise EdgeNotFoundError(next(reasons, "The landmark lies on the edge already."))
    column, row = (float(value) for value in knee.grids[index].to_pixel(record.point_mm))
    return PixelLandmark((column, row), record.origin, record.sd_mm, record.sd_across_mm)

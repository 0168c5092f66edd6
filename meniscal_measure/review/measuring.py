"""From a working state to a reading, and points moved onto edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

from meniscal_measure.caliper.landmarks import LandmarkSet, Origin, SliceLandmarks
from meniscal_measure.caliper.measure import slice_geometry
from meniscal_measure.caliper.reading import Conventions, Reading
from meniscal_measure.caliper.refinement import REFINABLE, refine_slice
from meniscal_measure.errors import EdgeNotFoundError, LandmarkError, SideError, UsageError
from meniscal_measure.review.knee import OpenKnee
from meniscal_measure.review.state import POINT_NAMES, Point, State, landmark_set, with_points
from meniscal_measure.workflow import measure_placed

NOTHING_PLACED = "Place the rim and the outer edge, and the rim on the other side."


@dataclass(frozen=True)
class Measured:
    """A reading, or in words why there is none yet; remarks on slices that were left out."""

    reading: Reading | None
    message: str = ""
    left_out: tuple[str, ...] = ()


def measure_state(knee: OpenKnee, state: State, conventions: Conventions) -> Measured:
    """Measure what the points of a state allow, on every slice that has some.

    Slices beside the measured one that are not complete yet are left out, and said to be.
    """
    return _measured(knee, state, conventions, with_neighbours=True)


def measure_live(knee: OpenKnee, state: State, conventions: Conventions, index: int) -> Measured:
    """Measure one slice only, fast enough to follow a point that is being dragged.

    On the measured slice the others still enter the uncertainty.
    """
    if index != state.slice_index:
        state = replace(state, slice_index=index, points={index: state.points.get(index, {})})
    return _measured(knee, state, conventions, with_neighbours=False)


def _measured(
    knee: OpenKnee, state: State, conventions: Conventions, *, with_neighbours: bool
) -> Measured:
    state, unseen = _seen(state)
    placed = landmark_set(state, knee.grids, knee.proposal)
    if not placed.measured.points:
        return Measured(None, NOTHING_PLACED)
    placed, incomplete = _complete(placed, knee, conventions)
    left_out = (*unseen, *incomplete)
    try:
        reading = measure_placed(
            knee.choice,
            knee.side(state.side),
            placed,
            conventions=conventions,
            measure_neighbours=with_neighbours,
            confidence=_confidence(knee, state),
        )
    except (LandmarkError, SideError) as error:
        return Measured(None, _without_place(error, state.slice_index), left_out)
    return Measured(reading, "", left_out)


def measure_proposal(knee: OpenKnee, state: State, conventions: Conventions) -> Reading | None:
    """Measure what was proposed, under the side the reader settled; None where it cannot be."""
    if knee.proposal is None:
        return None
    try:
        return measure_placed(
            knee.choice,
            knee.side(state.side),
            knee.proposal,
            conventions=conventions,
            confidence=knee.confidence,
        )
    except (LandmarkError, SideError):
        return None


def _confidence(knee: OpenKnee, state: State) -> float | None:
    """Confidence of the program, as long as points it proposed are measured on its slice."""
    proposal, points = knee.proposal, state.points.get(state.slice_index, {})
    is_its_slice = proposal is not None and proposal.measured.slice_index == state.slice_index
    is_proposed = any(point.origin is Origin.PROPOSED for point in points.values())
    return knee.confidence if is_its_slice and is_proposed else None


def _seen(state: State) -> tuple[State, tuple[str, ...]]:
    """Leave out slices beside the measured one whose points were carried there and not seen to."""
    unseen = {
        index
        for index, points in state.points.items()
        if index != state.slice_index
        and any(point.carried_from is not None for point in points.values())
    }
    kept = {index: points for index, points in state.points.items() if index not in unseen}
    remarks = (
        f"Slice {index + 1} is left out: accept or move the points that were carried there."
        for index in sorted(unseen)
    )
    return replace(state, points=kept), tuple(remarks)


def _complete(
    placed: LandmarkSet, knee: OpenKnee, conventions: Conventions
) -> tuple[LandmarkSet, tuple[str, ...]]:
    kept: list[SliceLandmarks] = []
    left_out: list[str] = []
    for item in placed.neighbours:
        try:
            slice_geometry(item, knee.grids[item.slice_index], conventions.axis)
            kept.append(item)
        except LandmarkError as error:
            said = _without_place(error, item.slice_index)
            left_out.append(f"Slice {item.slice_index + 1} is left out: {said}")
    return replace(placed, neighbours=tuple(kept)), tuple(left_out)


def _without_place(error: Exception, index: int) -> str:
    """Drop the slice index, counted from 0, from a message: the page counts slices from 1."""
    return str(error).removeprefix(f"Slice {index}: ")


def snap_point(
    knee: OpenKnee, state: State, index: int, name: str, conventions: Conventions
) -> Point:
    """Move one point along the measuring direction onto the edge nearby.

    Parameters
    ----------
    knee
        The knee.
    state
        Its working state.
    index
        Slice the point is on.
    name
        Name of the point, such as `image_left_rim`.
    conventions
        Axis convention, from which the measuring direction is taken.

    Raises
    ------
    UsageError
        If the point is not placed or is of a kind that lies on no such edge.
    LandmarkError
        If the measuring direction is not known yet.
    EdgeNotFoundError
        If there is no edge nearby.
    """
    points = state.points.get(index, {})
    if name not in points:
        raise UsageError("There is no such point on this slice. Place it first.")
    side, landmark = POINT_NAMES[name]
    if landmark not in REFINABLE:
        raise UsageError(
            "Only outer edges can be snapped: the other points lie on no straight edge."
        )
    alone = with_points(State(index, {}), index, points)
    before = landmark_set(alone, knee.grids, None).measured
    refined = refine_slice(
        before, knee.pixels(index), knee.grids[index], conventions.axis, which=(landmark,)
    )
    record = refined.landmarks.points[side][landmark]
    if record == before.points[side][landmark]:
        raise EdgeNotFoundError(_remark_on(refined.remarks, name))
    column, row = (float(value) for value in knee.grids[index].to_pixel(record.point_mm))
    return Point((column, row), record.origin, record.sd_mm, record.sd_across_mm)


def _remark_on(remarks: tuple[str, ...], name: str) -> str:
    for remark in remarks:
        _, found, said = remark.partition(f"{name}: ")
        if found:
            return said
    return "No edge could be found at the point. Keep it as placed by hand."

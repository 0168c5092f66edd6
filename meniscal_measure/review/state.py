"""What a reader has set on one knee: slice, landmarks, side, quality. Pure values, and JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from statistics import fmean
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import name_of
from meniscal_measure.caliper.landmarks import (
    HAND_PLACEMENT_SD_MM,
    LandmarkSet,
    Origin,
    PlacedLandmark,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.errors import UsageError
from meniscal_measure.geometry import PixelGrid, as_vector

IMAGE_SIDES = (Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT)
LANDMARK_NAMES = {name_of(side, mark): (side, mark) for side in IMAGE_SIDES for mark in Landmark}
"""Landmarks are named by their side in the image: setting the side of the knee renames none."""

Words = Annotated[str, Meta(max_length=2000)]
SdMm = Annotated[float, Meta(ge=0)]


class Quality(StrEnum):
    """Short list of what may be wrong with the images."""

    MOTION = "motion"
    NOISE = "noise"
    METAL = "metal"
    FOLD_OVER = "fold_over"
    CUT_OFF = "cut_off"
    TILTED = "tilted"
    OSTEOPHYTES = "osteophytes"
    OPERATED = "operated"


QUALITY_WORDS = {
    Quality.MOTION: "Motion",
    Quality.NOISE: "Low signal or contrast",
    Quality.METAL: "Metal artefact",
    Quality.FOLD_OVER: "Fold-over artefact",
    Quality.CUT_OFF: "Plateau or meniscus cut off",
    Quality.TILTED: "Slices tilted against the joint",
    Quality.OSTEOPHYTES: "Osteophyte obscures the rim",
    Quality.OPERATED: "Previous meniscal surgery",
}


@dataclass(frozen=True)
class PixelLandmark:
    """A landmark on a slice as the page handles it."""

    pixel: tuple[float, float]
    """`[column, row]`."""
    origin: Origin = Origin.READER
    """How it came to lie there."""
    sd_mm: SdMm = HAND_PLACEMENT_SD_MM
    sd_across_mm: SdMm | None = None
    """As in `PlacedLandmark`."""
    carried_from: int | None = None
    """Slice it was carried over from when another slice was chosen, until the reader has looked at
    it here."""


@dataclass(frozen=True)
class State:
    """Everything a reader has set. `landmarks[slice index][landmark name]`."""

    slice_index: int
    landmarks: Mapping[int, Mapping[str, PixelLandmark]]
    side: Side | None = None
    side_reason: Words = ""
    """Why the side is another one than the images say; empty while it is not corrected."""
    quality: tuple[Quality, ...] = ()
    remark: Words = ""

    @property
    def carried(self) -> list[str]:
        """Names of landmarks on the measured slice that the reader has yet to look at."""
        placed = self.landmarks.get(self.slice_index, {})
        return [name for name, mark in placed.items() if mark.carried_from is not None]

    @property
    def proposed_landmarks(self) -> list[str]:
        """Names of landmarks on the measured slice that lie where the program proposed them."""
        placed = self.landmarks.get(self.slice_index, {})
        return [
            name
            for name, mark in placed.items()
            if mark.origin is Origin.PROPOSED and mark.carried_from is None
        ]

    @property
    def is_set_by_reader(self) -> bool:
        """Whether a landmark of the measured slice does not lie where it was proposed."""
        return len(self.proposed_landmarks) < len(self.landmarks.get(self.slice_index, {}))

    def as_dict(self) -> dict[str, Any]:
        """Lay the state out for JSON, as `state_from_dict` takes it."""
        content = msgspec.json.decode(msgspec.json.encode(self))
        return {"slice": content.pop("slice_index"), **content}


def first_state(
    proposal: LandmarkSet | None, grids: tuple[PixelGrid, ...], likely_slice: int | None = None
) -> State:
    """State a reader begins with: the proposal, or a likely slice without landmarks."""
    if proposal is None:
        return State(len(grids) // 2 if likely_slice is None else likely_slice, {})
    slices = (proposal.measured, *proposal.neighbours)
    landmarks = {item.slice_index: _landmarks(item, grids[item.slice_index]) for item in slices}
    return State(proposal.measured.slice_index, landmarks)


def _landmarks(item: SliceLandmarks, grid: PixelGrid) -> dict[str, PixelLandmark]:
    landmarks = {}
    for compartment, placed in item.points.items():
        if not placed:
            continue
        side = _image_side(item, compartment, grid)
        for landmark, record in placed.items():
            column, row = (float(value) for value in grid.to_pixel(record.point_mm))
            landmarks[name_of(side, landmark)] = PixelLandmark(
                (column, row), record.origin, record.sd_mm, record.sd_across_mm
            )
    return landmarks


def _image_side(item: SliceLandmarks, compartment: Compartment, grid: PixelGrid) -> Compartment:
    """Side of the image on which a compartment lies, seen from the landmarks of the other."""
    own, other = (
        [float(grid.to_pixel(record.point_mm)[0]) for record in placed.values()]
        for placed in (item.points[compartment], item.points.get(compartment.opposite, {}))
    )
    border = fmean(other) if other else (grid.columns - 1) / 2
    return IMAGE_SIDES[fmean(own) > border]


def with_proposal(state: State, proposal: LandmarkSet, grids: tuple[PixelGrid, ...]) -> State:
    """Put a proposal into a state, in place of what was proposed before.

    What the reader has set on slices beside the newly proposed one stays.
    """
    set_by_reader = {
        index: landmarks
        for index, landmarks in state.landmarks.items()
        if index != proposal.measured.slice_index
        and any(mark.origin is not Origin.PROPOSED for mark in landmarks.values())
    }
    begun = first_state(proposal, grids)
    landmarks = {**begun.landmarks, **set_by_reader}
    return replace(state, slice_index=begun.slice_index, landmarks=landmarks)


def landmark_set(
    state: State, grids: tuple[PixelGrid, ...], proposal: LandmarkSet | None
) -> LandmarkSet:
    """Bring the landmarks of a state into patient space.

    The slice convention is that of the proposal while its slice is kept, else the reader's choice.
    """
    slices = {
        index: SliceLandmarks(index, _placed(landmarks, grids[index]))
        for index, landmarks in sorted(state.landmarks.items())
        if landmarks or index == state.slice_index
    }
    measured = slices.pop(state.slice_index, SliceLandmarks(state.slice_index, {}))
    if proposal is not None and proposal.measured.slice_index == state.slice_index:
        convention, reason = proposal.slice_convention, proposal.slice_reason
    else:
        convention, reason = SliceConvention.CHOSEN_BY_READER, "chosen by the reader"
    return LandmarkSet(measured, tuple(slices.values()), convention, reason)


def _placed(
    landmarks: Mapping[str, PixelLandmark], grid: PixelGrid
) -> dict[Compartment, dict[Landmark, PlacedLandmark]]:
    placed: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
    for name, mark in landmarks.items():
        side, landmark = LANDMARK_NAMES[name]
        point_mm = as_vector(grid.to_patient(mark.pixel))
        placed.setdefault(side, {})[landmark] = PlacedLandmark(
            point_mm, mark.sd_mm, mark.origin, mark.sd_across_mm
        )
    return placed


def state_from_dict(content: Any, grids: tuple[PixelGrid, ...]) -> State:
    """Take a state from parsed JSON, checking every value.

    Raises
    ------
    UsageError
        If a value is of the wrong kind, not finite, or names a slice that does not exist.
    """
    try:
        given = {**content, "slice_index": content["slice"]}
        state = msgspec.convert(given, State, str_keys=True)
        _check_whole(State, given)
        for landmarks in given["landmarks"].values():
            for mark in landmarks.values():
                _check_whole(PixelLandmark, mark)
        _check(state, len(grids))
    except (KeyError, TypeError, ValueError, msgspec.ValidationError) as error:
        raise UsageError(
            "What the page sent is not a working state ({kind}: {reason:private}). Load the"
            " page again.",
            kind=type(error).__name__,
            reason=str(error),
        ) from error
    side_reason = well_formed(state.side_reason).strip()
    return replace(state, side_reason=side_reason, remark=well_formed(state.remark))


def _check_whole(kind: type[State | PixelLandmark], given: Mapping[str, Any]) -> None:
    """Refuse what leaves something out, which would take its default."""
    missing = {field.name for field in fields(kind)} - given.keys()
    if missing:
        raise KeyError(*missing)


def _check(state: State, slices: int) -> None:
    for index in (state.slice_index, *state.landmarks):
        if not 0 <= index < slices:
            raise ValueError(f"slice {index}")
    for landmarks in state.landmarks.values():
        for name, mark in landmarks.items():
            numbers = (*mark.pixel, mark.sd_mm, mark.sd_across_mm or 0.0)
            if name not in LANDMARK_NAMES or not all(map(math.isfinite, numbers)):
                raise ValueError(f"landmark {name!r} {mark}")


def well_formed(text: str) -> str:
    """Replace lone surrogates, which no file can hold, by the replacement character U+FFFD.

    Examples
    --------
    >>> hex(ord(well_formed(chr(0xD800))))
    '0xfffd'
    """
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")

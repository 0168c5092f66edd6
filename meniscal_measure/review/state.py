"""What a reader has set on one knee: slice, points, side, quality. Pure values and their JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import fmean
from typing import Any, NoReturn

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
POINT_NAMES = {name_of(side, mark): (side, mark) for side in IMAGE_SIDES for mark in Landmark}
"""Points are named by their side in the image: setting the side of the knee renames none."""

MAX_REMARK_LENGTH = 2000


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
    Quality.OSTEOPHYTES: "Osteophyte hides the rim",
    Quality.OPERATED: "Meniscus operated on",
}


@dataclass(frozen=True)
class Point:
    """A landmark on a slice as the page handles it.

    Parameters
    ----------
    pixel
        `[column, row]`.
    origin
        How it came to lie there.
    sd_mm, sd_across_mm
        As in `PlacedLandmark`.
    carried_from
        Slice it was carried over from when another slice was chosen, until the reader has looked
        at it here.
    """

    pixel: tuple[float, float]
    origin: Origin = Origin.READER
    sd_mm: float = HAND_PLACEMENT_SD_MM
    sd_across_mm: float | None = None
    carried_from: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """Lay the point out for JSON."""
        return {
            "pixel": list(self.pixel),
            "origin": self.origin,
            "sd_mm": self.sd_mm,
            "sd_across_mm": self.sd_across_mm,
            "carried_from": self.carried_from,
        }


@dataclass(frozen=True)
class State:
    """Everything a reader has set. `points[slice index][point name]`."""

    slice_index: int
    points: Mapping[int, Mapping[str, Point]]
    side: Side | None = None
    quality: tuple[Quality, ...] = ()
    remark: str = ""

    @property
    def carried(self) -> list[str]:
        """Names of points on the measured slice that the reader has yet to look at."""
        placed = self.points.get(self.slice_index, {})
        return [name for name, point in placed.items() if point.carried_from is not None]

    def as_dict(self) -> dict[str, Any]:
        """Lay the state out for JSON, as `state_from_dict` takes it."""
        return {
            "slice": self.slice_index,
            "points": {
                str(index): {name: point.as_dict() for name, point in points.items()}
                for index, points in self.points.items()
            },
            "side": self.side,
            "quality": list(self.quality),
            "remark": self.remark,
        }


def first_state(proposal: LandmarkSet | None, grids: tuple[PixelGrid, ...]) -> State:
    """State a reader begins with: the proposal, or the middle slice without points."""
    if proposal is None:
        return State(len(grids) // 2, {})
    slices = (proposal.measured, *proposal.neighbours)
    points = {item.slice_index: _points(item, grids[item.slice_index]) for item in slices}
    return State(proposal.measured.slice_index, points)


def _points(item: SliceLandmarks, grid: PixelGrid) -> dict[str, Point]:
    points = {}
    for compartment, placed in item.points.items():
        if not placed:
            continue
        side = _image_side(item, compartment, grid)
        for landmark, record in placed.items():
            column, row = (float(value) for value in grid.to_pixel(record.point_mm))
            points[name_of(side, landmark)] = Point(
                (column, row), record.origin, record.sd_mm, record.sd_across_mm
            )
    return points


def _image_side(item: SliceLandmarks, compartment: Compartment, grid: PixelGrid) -> Compartment:
    """Side of the image on which the points of a compartment lie, seen from those of the other."""
    own, other = (
        [float(grid.to_pixel(record.point_mm)[0]) for record in placed.values()]
        for placed in (item.points[compartment], item.points.get(compartment.opposite, {}))
    )
    border = fmean(other) if other else (grid.columns - 1) / 2
    return IMAGE_SIDES[fmean(own) > border]


def landmark_set(
    state: State, grids: tuple[PixelGrid, ...], proposal: LandmarkSet | None
) -> LandmarkSet:
    """Bring the points of a state into patient space.

    The slice convention is that of the proposal while its slice is kept, else the reader's choice.
    """
    slices = {
        index: SliceLandmarks(index, _placed(points, grids[index]))
        for index, points in sorted(state.points.items())
        if points or index == state.slice_index
    }
    measured = slices.pop(state.slice_index, SliceLandmarks(state.slice_index, {}))
    if proposal is not None and proposal.measured.slice_index == state.slice_index:
        convention, reason = proposal.slice_convention, proposal.slice_reason
    else:
        convention, reason = SliceConvention.CHOSEN_BY_READER, "chosen by the reader"
    return LandmarkSet(measured, tuple(slices.values()), convention, reason)


def _placed(
    points: Mapping[str, Point], grid: PixelGrid
) -> dict[Compartment, dict[Landmark, PlacedLandmark]]:
    placed: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
    for name, point in points.items():
        side, landmark = POINT_NAMES[name]
        point_mm = as_vector(grid.to_patient(point.pixel))
        mark = PlacedLandmark(point_mm, point.sd_mm, point.origin, point.sd_across_mm)
        placed.setdefault(side, {})[landmark] = mark
    return placed


def with_points(state: State, index: int, points: Mapping[str, Point]) -> State:
    """Return the state with other points on one slice."""
    return replace(state, points={**state.points, index: points})


# JSON


def state_from_dict(content: Any, grids: tuple[PixelGrid, ...]) -> State:
    """Take a state from parsed JSON, checking every value.

    Raises
    ------
    UsageError
        If a value is of the wrong kind, not finite, or names a slice that does not exist.
    """
    try:
        return State(
            slice_index=_slice(content["slice"], grids),
            points={
                _slice(int(index), grids): {
                    name: _point(name, value) for name, value in points.items()
                }
                for index, points in content["points"].items()
            },
            side=None if content["side"] is None else Side(content["side"]),
            quality=tuple(Quality(code) for code in content["quality"]),
            remark=_remark(content["remark"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UsageError(
            f"What the page sent is not a working state ({type(error).__name__}: {error}). Load"
            " the page again."
        ) from error


def _slice(index: Any, grids: tuple[PixelGrid, ...]) -> int:
    if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(grids):
        _refuse(f"slice {index!r}")
    return index


def _point(name: str, value: Mapping[str, Any]) -> Point:
    if name not in POINT_NAMES:
        _refuse(f"point {name!r}")
    column, row = (_number(part) for part in value["pixel"])
    across, carried_from = value["sd_across_mm"], value["carried_from"]
    if not isinstance(carried_from, int | None):
        _refuse(f"carried_from {carried_from!r}")
    return Point(
        (column, row),
        Origin(value["origin"]),
        _sd(value["sd_mm"]),
        None if across is None else _sd(across),
        carried_from,
    )


def _sd(value: Any) -> float:
    number = _number(value)
    return number if number >= 0 else _refuse(f"standard deviation {value!r}")


def _number(value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        _refuse(f"number {value!r}")
    return float(value)


def _remark(text: Any) -> str:
    if not isinstance(text, str) or len(text) > MAX_REMARK_LENGTH:
        _refuse(f"a remark of more than {MAX_REMARK_LENGTH} characters")
    return text


def _refuse(what: str) -> NoReturn:
    raise ValueError(what)

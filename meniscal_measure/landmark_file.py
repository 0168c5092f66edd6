"""Landmark files: JSON or CSV text to landmarks in patient space, and back.

JSON, one slice or several (the first one listed is the measured one, the others its neighbours)::

    {"slice": 7, "medial_rim": [250.0, 160.5], "medial_outer_edge": [257.5, 150.0], ...}

    {"slice_convention": "medial_spine_apex", "slice_reason": "...", "sd_mm": 0.2,
     "slices": [{"slice": "1.2.840...", "medial_rim": [-31.2, 14.0, 35.5], ...}, ...]}

CSV, one landmark a line, with the columns `slice,landmark,column,row` or
`slice,landmark,x_mm,y_mm,z_mm`, and `sd_mm` if wanted.

A slice is named by its index in geometric order, from 0, or by its SOP Instance UID. Two numbers
are `[column, row]` with pixel centres at whole numbers, three are patient LPS mm. Landmarks are
called `medial_`, `lateral_` (or `image_left_`, `image_right_` while the side is unknown) followed
by `rim`, `outer_edge`, `inner_tip` or `spine_base`.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import Point, name_of
from meniscal_measure.caliper.checks import check_on_slice
from meniscal_measure.caliper.landmarks import (
    HAND_PLACEMENT_SD_MM,
    ImagePlane,
    LandmarkSet,
    PlacedLandmark,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid, Vector, as_vector

LANDMARK_NAMES: Mapping[str, Point] = {
    name_of(compartment, landmark): (compartment, landmark)
    for compartment in Compartment
    for landmark in Landmark
}
SLICE_KEYS = ("slice", "slice_index", "sop_instance_uid")
SET_KEYS = ("slice_convention", "slice_reason", "sd_mm")
PIXEL_COLUMNS = ("column", "row")
PATIENT_COLUMNS = ("x_mm", "y_mm", "z_mm")
DEFAULT_REASON = "as given in the landmark file"


@dataclass(frozen=True)
class _SliceName:
    """The slice as the file names it; at least one of the two is given."""

    index: int | None
    sop_instance_uid: str | None

    def __str__(self) -> str:
        return str(self.sop_instance_uid if self.index is None else self.index)


@dataclass(frozen=True)
class _SliceEntry:
    """One slice of a file: two or three coordinates and the standard deviation of each point."""

    name: _SliceName
    points: Mapping[str, tuple[tuple[float, ...], float]]


@dataclass(frozen=True)
class _Document:
    entries: tuple[_SliceEntry, ...]
    convention: SliceConvention = SliceConvention.CHOSEN_BY_READER
    reason: str = DEFAULT_REASON


def read_landmark_file(path: Path, frames: Sequence[ImagePlane]) -> LandmarkSet:
    """Read landmarks and place them in patient space.

    Parameters
    ----------
    path
        JSON or CSV file, told apart by its content.
    frames
        The slices of the series in geometric order.

    Raises
    ------
    LandmarkError
        If the file cannot be read, names an unknown or repeated key, an unknown slice, a number
        that is not finite, or a point outside its image or off its slice. The message names the
        file, the key and the remedy.
    """
    document = _document(path)
    try:
        slices = [_placed(entry, frames) for entry in document.entries]
    except LandmarkError as error:
        raise LandmarkError(f"{path}: {error}") from error
    return LandmarkSet(slices[0], tuple(slices[1:]), document.convention, document.reason)


def named_sop_instance_uids(path: Path) -> frozenset[str]:
    """Read only which images a landmark file names, to find the series it belongs to.

    Returns
    -------
    frozenset of str
        Empty where the file names its slices by index alone.

    Raises
    ------
    LandmarkError
        If the file cannot be read or is not a landmark file.
    """
    names = (entry.name.sop_instance_uid for entry in _document(path).entries)
    return frozenset(uid for uid in names if uid is not None)


def landmarks_to_json(landmarks: LandmarkSet, frames: Sequence[ImagePlane]) -> str:
    """Write landmarks as the JSON text that `read_landmark_file` reads, in patient mm.

    A slice keeps one standard deviation, the largest of its landmarks.
    """
    document = {
        "slice_convention": landmarks.slice_convention.value,
        "slice_reason": landmarks.slice_reason,
        "slices": [
            _slice_to_json(item, frames) for item in (landmarks.measured, *landmarks.neighbours)
        ],
    }
    return json.dumps(document, indent=2) + "\n"


def _slice_to_json(item: SliceLandmarks, frames: Sequence[ImagePlane]) -> dict[str, Any]:
    placed = {
        name_of(compartment, landmark): record
        for compartment, records in item.points.items()
        for landmark, record in records.items()
    }
    return {
        "slice_index": item.slice_index,
        "sop_instance_uid": frames[item.slice_index].sop_instance_uid,
        "sd_mm": max(record.sd_mm for record in placed.values()),
        **{name: list(record.point_mm) for name, record in placed.items()},
    }


# Text to document


def _document(path: Path) -> _Document:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LandmarkError(
            f"Cannot read the landmark file {path}: {error}. Name a JSON or CSV text file."
        ) from error
    try:
        return _from_json(text) if text.lstrip().startswith("{") else _from_csv(text)
    except LandmarkError as error:
        raise LandmarkError(f"{path}: {error}") from error


def _from_json(text: str) -> _Document:
    try:
        content = json.loads(text, object_pairs_hook=_without_duplicates)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers of endless digits
        raise LandmarkError(f"not valid JSON ({error}). Correct it there.") from error
    sd_mm = _sd_mm(content.get("sd_mm", HAND_PLACEMENT_SD_MM))
    if "slices" in content:
        _refuse_unknown(content, ("slices", *SET_KEYS))
        slices = content["slices"]
    else:
        slices = [{key: value for key, value in content.items() if key not in SET_KEYS}]
    if not isinstance(slices, list) or not slices:
        _refuse("slices", "must be a list of at least one slice")
    return _Document(
        tuple(_json_slice(item, sd_mm) for item in slices),
        _convention(content.get("slice_convention", SliceConvention.CHOSEN_BY_READER)),
        str(content.get("slice_reason", DEFAULT_REASON)),
    )


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) != len(pairs):
        names = [name for name, _ in pairs]
        _refuse(next(n for n in names if names.count(n) > 1), "is given twice; keep one")
    return content


def _json_slice(item: Any, sd_mm: float) -> _SliceEntry:
    if not isinstance(item, dict):
        _refuse("slices", "must hold one object for each slice")
    _refuse_unknown(item, (*SLICE_KEYS, "sd_mm", *LANDMARK_NAMES))
    own_sd_mm = _sd_mm(item.get("sd_mm", sd_mm))
    points = {
        name: (_coordinates(name, value), own_sd_mm)
        for name, value in item.items()
        if name in LANDMARK_NAMES
    }
    return _SliceEntry(_entry_name(item), points)


def _entry_name(item: Mapping[str, Any]) -> _SliceName:
    if "slice" not in item:
        return _slice_name(item.get("slice_index"), item.get("sop_instance_uid"))
    value = item["slice"]
    if isinstance(value, dict):
        _refuse_unknown(value, ("index", "sop_instance_uid"))
        return _slice_name(value.get("index"), value.get("sop_instance_uid"))
    if isinstance(value, str) and not value.isdecimal():
        return _slice_name(None, value)
    return _slice_name(value, None)


def _slice_name(index: Any, uid: Any) -> _SliceName:
    if isinstance(index, str) and index.isdecimal():
        index = int(index)
    index_is_good = index is None or (isinstance(index, int) and not isinstance(index, bool))
    if not index_is_good or not isinstance(uid, str | None) or (index is None and not uid):
        _refuse(
            "slice",
            "must be the index of the slice in geometric order, a whole number from 0, or its SOP"
            " Instance UID",
        )
    return _SliceName(index, uid)


def _from_csv(text: str) -> _Document:
    reader = csv.DictReader(io.StringIO(text), skipinitialspace=True, strict=True)
    header = tuple(reader.fieldnames or ())
    coordinates = PATIENT_COLUMNS if "x_mm" in header else PIXEL_COLUMNS
    needed = {"slice", "landmark", *coordinates}
    if len(set(header)) != len(header) or set(header) - {"sd_mm"} != needed:
        raise LandmarkError(
            "the first line must name the columns slice,landmark,column,row or"
            " slice,landmark,x_mm,y_mm,z_mm, with sd_mm if wanted. A JSON file must begin with {."
        )
    slices: dict[_SliceName, dict[str, tuple[tuple[float, ...], float]]] = {}
    for row in _csv_rows(reader):
        name = row["landmark"]
        points = slices.setdefault(_entry_name(row), {})
        if name not in LANDMARK_NAMES:
            _refuse_unknown({name: None}, tuple(LANDMARK_NAMES))
        if name in points:
            _refuse(name, f"is given twice on slice {row['slice']}; keep one")
        numbers = [_number(name, row[column]) for column in coordinates]
        points[name] = (_coordinates(name, numbers), _csv_sd_mm(row))
    if not slices:
        raise LandmarkError("holds no landmark. Add one line for each.")
    return _Document(tuple(_SliceEntry(name, points) for name, points in slices.items()))


def _csv_rows(reader: csv.DictReader[str]) -> Iterator[dict[str, str]]:
    try:
        for row in reader:
            if None in row or None in row.values():
                raise LandmarkError(
                    f"line {reader.line_num} has not as many values as there are columns."
                )
            yield {key: value.strip() for key, value in row.items()}
    except csv.Error as error:
        raise LandmarkError(f"line {reader.line_num} is not valid CSV ({error}).") from error


def _csv_sd_mm(row: Mapping[str, str]) -> float:
    text = row.get("sd_mm", "")
    return _sd_mm(_number("sd_mm", text)) if text else HAND_PLACEMENT_SD_MM


def _number(key: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        _refuse(key, f"is {text!r}; it must be a number with a decimal point")


# Values


def _coordinates(name: str, value: Any) -> tuple[float, ...]:
    numbers = value if isinstance(value, list) else []
    if len(numbers) not in (2, 3) or not all(_is_finite(number) for number in numbers):
        _refuse(
            name,
            f"is {json.dumps(value)}; it must be [column, row] in pixels or [x, y, z] in patient"
            " mm, finite numbers",
        )
    return tuple(float(number) for number in numbers)


def _sd_mm(value: Any) -> float:
    if not (_is_finite(value) and value >= 0):
        _refuse("sd_mm", f"is {value!r}; it must be a finite number of mm, 0 or more")
    return float(value)


def _is_finite(value: Any) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    return abs(value) <= sys.float_info.max  # also false for NaN and for whole numbers beyond float


def _convention(value: Any) -> SliceConvention:
    try:
        return SliceConvention(value)
    except ValueError:
        _refuse("slice_convention", f"is {value!r}; it must be one of {', '.join(SliceConvention)}")


def _refuse_unknown(content: Mapping[str, Any], known: Sequence[str]) -> None:
    for key in content:
        if key not in known:
            _refuse(key, f"is not known here; known are {', '.join(known)}")


def _refuse(key: str, reason: str) -> NoReturn:
    raise LandmarkError(f"{key} {reason}.")


# Document to patient space


def _placed(entry: _SliceEntry, frames: Sequence[ImagePlane]) -> SliceLandmarks:
    index = _index(entry.name, frames)
    points: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
    for name, (coordinates, sd_mm) in entry.points.items():
        compartment, landmark = LANDMARK_NAMES[name]
        placed = PlacedLandmark(_patient_mm(coordinates, frames[index].grid), sd_mm)
        check_on_slice(f"slice {entry.name}: {name}", placed, frames[index].grid)
        points.setdefault(compartment, {})[landmark] = placed
    return SliceLandmarks(index, points)


def _patient_mm(coordinates: tuple[float, ...], grid: PixelGrid) -> Vector:
    return as_vector(grid.to_patient(coordinates) if len(coordinates) == 2 else coordinates)


def _index(name: _SliceName, frames: Sequence[ImagePlane]) -> int:
    """Find the slice that both the index and the SOP Instance UID allow."""
    matches = [
        index
        for index, frame in enumerate(frames)
        if name.index in (None, index) and name.sop_instance_uid in (None, frame.sop_instance_uid)
    ]
    if not matches:
        raise LandmarkError(
            f"slice {name} is not in the series of {len(frames)} slices. Give its index in"
            f" geometric order, 0 to {len(frames) - 1}, or the SOP Instance UID of one of its"
            " images."
        )
    if len(matches) > 1:
        raise LandmarkError(
            f"slice {name} is a multi-frame image with {len(matches)} slices. Give the index of"
            " the slice in geometric order."
        )
    return matches[0]

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

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import name_of
from meniscal_measure.caliper.checks import check_on_slice
from meniscal_measure.caliper.landmarks import (
    ImagePlane,
    LandmarkSet,
    PlacedLandmark,
    SliceLandmarks,
)
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid, Vector, as_vector
from meniscal_measure.landmark_text import (
    LANDMARK_NAMES,
    LandmarkDocument,
    SliceEntry,
    SliceName,
    parse_landmark_text,
)


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


def named_sop_instance_uids(path: Path) -> tuple[str, ...]:
    """Read only which images a landmark file names, to find the series it belongs to.

    Returns
    -------
    tuple of str
        In the order of the file, that of the measured slice first; empty where the file names
        its slices by index alone.

    Raises
    ------
    LandmarkError
        If the file cannot be read or is not a landmark file.
    """
    names = (entry.name.sop_instance_uid for entry in _document(path).entries)
    return tuple(uid for uid in names if uid is not None)


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


def _document(path: Path) -> LandmarkDocument:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise LandmarkError(
            f"Cannot read the landmark file {path}: {reason}. Name a JSON or CSV text file."
        ) from error
    try:
        return parse_landmark_text(text)
    except LandmarkError as error:
        raise LandmarkError(f"{path}: {error}") from error


def _placed(entry: SliceEntry, frames: Sequence[ImagePlane]) -> SliceLandmarks:
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


def _index(name: SliceName, frames: Sequence[ImagePlane]) -> int:
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

"""Landmark files: JSON or CSV text to landmarks in patient space, and back.

JSON, one slice or several (the first one listed is the measured one, the others its neighbours)::

    {"slice": 7, "medial_rim": [250.0, 160.5], "medial_outer_edge": [257.5, 150.0], ...}

    {"slice_convention": "medial_spine_apex", "slice_reason": "...", "sd_mm": 0.2,
     "slices": [{"slice": "1.2.840...", "medial_rim": [-31.2, 14.0, 35.5], ...}, ...]}

CSV, one landmark a line, with the columns `slice,landmark,column,row` or
`slice,landmark,x_mm,y_mm,z_mm`, and `sd_mm` if wanted. In JSON the `sd_mm` of a slice is one number
for all its landmarks, or an object with one for each name.

A slice is named by its index in geometric order, from 0, or by its SOP Instance UID. Two numbers
are `[column, row]` with pixel centres at whole numbers, three are patient LPS mm. Landmarks are
called `medial_`, `lateral_` (or `image_left_`, `image_right_` while the side is unknown) followed
by `rim`, `outer_edge`, `free_edge` or `spine_base`. The key `signed` is written where readings that
a reader signed are collected; it holds as long as nothing in the file is changed.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.checks import check_on_slice
from meniscal_measure.caliper.landmarks import (
    HAND_PLACEMENT_SD_MM,
    ImagePlane,
    LandmarkSet,
    PlacedLandmark,
    SliceLandmarks,
)
from meniscal_measure.caliper.reading import Signature
from meniscal_measure.errors import LandmarkError
from meniscal_measure.files import read_bytes
from meniscal_measure.geometry import as_vector
from meniscal_measure.records.landmark_document import (
    LANDMARK_NAMES,
    SIGNATURE_KEYS,
    LandmarkDocument,
    SliceEntry,
    SliceRef,
)
from meniscal_measure.records.landmark_text import parse_landmark_text

MAX_FILE_BYTES = 4_000_000
"""Largest landmark file that is read. Six landmarks on each of 200 slices are 200 kB."""


def landmark_set(
    document: LandmarkDocument, frames: Sequence[ImagePlane], *, index_counts: bool = True
) -> LandmarkSet:
    """Place the landmarks of a file on slices in geometric order, in patient space.

    Where files of the series are missing or doubled an index may name another slice than it did:
    without `index_counts` only the SOP Instance UID tells which slice is meant.

    Raises
    ------
    LandmarkError
        If the file names a slice that is not there or, by index alone, where it does not count,
        or a point outside its image or off its slice. The message names the key and the remedy.

    Examples
    --------
    >>> document = read_landmarks(sample / "landmarks.json")
    >>> landmark_set(document, study.stacks[0].frames).measured.slice_index
    6
    """
    slices = [_placed(entry, frames, index_counts) for entry in document.entries]
    return LandmarkSet(slices[0], tuple(slices[1:]), document.convention, document.reason)


def read_landmarks(path: Path) -> LandmarkDocument:
    """Read a landmark file, JSON or CSV; `landmark_set` then places its landmarks in the patient.

    Raises
    ------
    UsageError
        If the file cannot be read.
    LandmarkError
        If it is too large, names an unknown or repeated key or a number that is not finite, or was
        changed after it was signed. The message names the file, the key and the remedy.

    Examples
    --------
    >>> document = read_landmarks(sample / "landmarks.json")
    >>> document.convention
    <SliceConvention.MEDIAL_SPINE_APEX: 'medial_spine_apex'>
    """
    content = read_bytes(path, "Name a JSON or CSV text file.", limit=MAX_FILE_BYTES + 1)
    try:
        return _checked(_parsed(content))
    except LandmarkError as error:
        raise error.within("{file:private}", file=str(path)) from error


def _parsed(content: bytes) -> LandmarkDocument:
    if len(content) > MAX_FILE_BYTES:
        raise LandmarkError(
            f"the file is larger than {MAX_FILE_BYTES // 10**6} MB, too large for the landmarks of"
            " one knee. Give one file for each knee."
        )
    try:
        return parse_landmark_text(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise LandmarkError("it is not UTF-8 text. Name a JSON or CSV text file.") from error


def _checked(document: LandmarkDocument) -> LandmarkDocument:
    by = document.signature
    if by is not None and by.seal not in _seals(document, by):
        raise LandmarkError(
            "the file was changed after {reader:private} signed it. Collect the signed readings"
            ' again; or take "signed" out of the file, and its landmarks count as not verified.',
            reader=by.reader,
        )
    return document


def signed(document: LandmarkDocument, signature: Signature) -> LandmarkDocument:
    """Put a reader's signature under landmarks, with a seal over both.

    Examples
    --------
    >>> from meniscal_measure.caliper.reading import AxisConvention
    >>> by = Signature("Reader A", "2026-02-03", AxisConvention.RIM_TO_RIM, (), "")
    >>> len(signed(read_landmarks(sample / "landmarks.json"), by).signature.seal)
    64
    """
    seal, _ = _seals(document, signature)
    return replace(document, signature=replace(signature, seal=seal))


def landmark_json(document: LandmarkDocument) -> str:
    """Write landmarks as the JSON text that `read_landmarks` reads.

    The standard deviation of placement by hand is not written where all landmarks of a slice have
    it, as a file that names none means it.

    Examples
    --------
    >>> text = landmark_json(parse_landmark_text('{"slice": 7, "medial_rim": [175.1, 124.1]}'))
    >>> json.loads(text)["slices"]
    [{'slice': 7, 'medial_rim': [175.1, 124.1]}]
    """
    content: dict[str, Any] = {
        "slice_convention": document.convention.value,
        "slice_reason": document.reason,
    }
    if document.signature is not None:
        by = document.signature
        values = (by.reader, by.signed_at, by.axis.value, list(by.quality), by.remark, by.seal)
        content["signed"] = dict(zip(SIGNATURE_KEYS, values, strict=True))
    content["slices"] = [_slice_to_json(entry) for entry in document.entries]
    return json.dumps(content, indent=1) + "\n"


def _slice_to_json(entry: SliceEntry) -> dict[str, Any]:
    sds_mm = {name: sd_mm for name, (_, sd_mm) in entry.points.items()}
    by_hand = set(sds_mm.values()) <= {HAND_PLACEMENT_SD_MM}
    alike = len(set(sds_mm.values())) == 1
    return {
        "slice": _name_to_json(entry.name),
        **({} if by_hand else {"sd_mm": next(iter(sds_mm.values())) if alike else sds_mm}),
        **{name: list(coordinates) for name, (coordinates, _) in entry.points.items()},
    }


def _name_to_json(name: SliceRef) -> int | str | dict[str, int | str]:
    if name.index is None:
        return name.sop_instance_uid or ""
    if name.sop_instance_uid is None:
        return name.index
    return {"index": name.index, "sop_instance_uid": name.sop_instance_uid}


def _seals(document: LandmarkDocument, signature: Signature) -> tuple[str, str]:
    """Seal a signed document, as now and as before the free edge was called by its name."""
    bare = landmark_json(replace(document, signature=replace(signature, seal="")))
    texts = bare, re.sub(r'_free_edge":', '_inner_tip":', bare)
    now, before = (hashlib.sha256(text.encode()).hexdigest() for text in texts)
    return now, before


def _placed(entry: SliceEntry, frames: Sequence[ImagePlane], index_counts: bool) -> SliceLandmarks:
    index = _index(entry.name, frames, index_counts)
    grid = frames[index].grid
    points: dict[Compartment, dict[Landmark, PlacedLandmark]] = {}
    for name, (coordinates, sd_mm) in entry.points.items():
        compartment, landmark = LANDMARK_NAMES[name]
        point_mm = grid.to_patient(coordinates) if len(coordinates) == 2 else coordinates
        placed = PlacedLandmark(as_vector(point_mm), sd_mm)
        check_on_slice(f"slice {entry.name}: {name}", placed, grid)
        points.setdefault(compartment, {})[landmark] = placed
    return SliceLandmarks(index, points)


def _index(name: SliceRef, frames: Sequence[ImagePlane], index_counts: bool) -> int:
    """Find the slice that both the index and the SOP Instance UID name.

    If indices do not count and the UID is that of one slice, the index is ignored.
    """
    of_image = [
        index
        for index, frame in enumerate(frames)
        if name.sop_instance_uid in (None, frame.sop_instance_uid)
    ]
    if not index_counts and len(of_image) == 1 and name.sop_instance_uid is not None:
        return of_image[0]
    if not index_counts and name.index is not None and of_image:
        raise LandmarkError(
            "slice {slice:private} is named by its index, but files of the series were refused,"
            " are missing, came twice or differ from the others in geometry or echo, so that the"
            " index may be that of another slice. Give the SOP Instance UID, or the whole series.",
            slice=str(name),
        )
    matches = [index for index in of_image if name.index in (None, index)]
    if not matches:
        raise LandmarkError(
            "slice {slice:private} is not in the series of {count} slices. Give its index in"
            " geometric order, 0 to {last}, or the SOP Instance UID of one of its images.",
            slice=str(name),
            count=len(frames),
            last=len(frames) - 1,
        )
    if len(matches) > 1:
        raise LandmarkError(
            "slice {slice:private} is a multi-frame image with {count} slices. Give the index of"
            " the slice in geometric order.",
            slice=str(name),
            count=len(matches),
        )
    return matches[0]

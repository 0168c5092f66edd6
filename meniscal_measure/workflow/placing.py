"""Landmarks for a stack: from a file, proposed, placed by hand, moved onto edges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, LandmarkSet, PlacedLandmark
from meniscal_measure.caliper.reading import AxisConvention, Signature
from meniscal_measure.errors import NothingMeasurableError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import as_vector
from meniscal_measure.records.landmark_document import LANDMARK_NAMES, LandmarkDocument
from meniscal_measure.records.landmark_file import landmark_set
from meniscal_measure.series.choose import describe
from meniscal_measure.series.model import FileRef, Laterality, Stack, Study
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.series.scan import NOT_DICOM
from meniscal_measure.series.stacks import SAME_POSITION_MM

Pixels = Mapping[str, tuple[float, float]]
"""`[column, row]` by the name of a landmark, as landmark files have it."""


@dataclass(frozen=True)
class Placed:
    """Landmarks on a stack, and where they came from."""

    landmarks: LandmarkSet
    confidence: float | None = None
    """Of the program in what it proposed; None where a person placed all of them."""
    signature: Signature | None = None
    """The signature under which a reader signed them, unless one was moved since."""
    findings: tuple[Finding, ...] = ()

    def with_hand_placed(self, place: Pixels, stack: Stack) -> Placed:
        """Place single landmarks of the measured slice by hand.

        Neighbours that the program proposed are then left out: a difference between a landmark
        placed by hand and proposed ones is not a slope along the slices.

        Raises
        ------
        UsageError
            If there is no landmark of that name.
        """
        if not place:
            return self
        measured = self.landmarks.measured
        grid = stack.frames[measured.slice_index].grid
        points = {compartment: dict(placed) for compartment, placed in measured.points.items()}
        for name, pixel in place.items():
            if name not in LANDMARK_NAMES:
                raise UsageError(
                    f"There is no landmark {name!r}. The names are: {', '.join(LANDMARK_NAMES)}."
                )
            compartment, landmark = LANDMARK_NAMES[name]
            point_mm = as_vector(grid.to_patient(pixel))
            placed = PlacedLandmark(point_mm, HAND_PLACEMENT_SD_MM)
            points.setdefault(compartment, {})[landmark] = placed
        landmarks = replace(self.landmarks, measured=replace(measured, points=points))
        if self.confidence is not None:
            landmarks = replace(landmarks, neighbours=())
        return replace(self, landmarks=landmarks, signature=None)

    def refined(self, pixels: StackPixels, axis: AxisConvention) -> Placed:
        """Move each outer edge along the measuring direction onto the edge nearby, if any."""
        from meniscal_measure.caliper.refinement import refine_slice

        slices, findings = [], list(self.findings)
        for item in (self.landmarks.measured, *self.landmarks.neighbours):
            (image,) = pixels.read([item.slice_index])
            grid = pixels.stack.frames[item.slice_index].grid
            found = refine_slice(item, image, grid, axis=axis)
            slices.append(found.landmarks)
            findings.extend(found.findings)
        landmarks = replace(self.landmarks, measured=slices[0], neighbours=tuple(slices[1:]))
        return replace(self, landmarks=landmarks, signature=None, findings=tuple(findings))


def from_document(document: LandmarkDocument, study: Study, stack: Stack) -> Placed:
    """Place the landmarks of a file on the stack it belongs to.

    Raises
    ------
    LandmarkError
        If they do not fit the stack, or the file names slices by their index where the order of
        the slices cannot be relied on.

    Examples
    --------
    >>> from meniscal_measure.records.landmark_file import read_landmarks
    >>> placed = from_document(read_landmarks(sample / "landmarks.json"), study, study.stacks[0])
    >>> placed.landmarks.measured.slice_index
    6
    """
    found = landmark_set(document, stack.frames, index_counts=_is_whole(study, stack))
    return Placed(found, signature=document.signature)


def _is_whole(study: Study, stack: Stack) -> bool:
    """Whether an index still names the slice it named when every file was there."""
    kinds = {_folder_and_suffix(frame.file) for frame in stack.frames}
    damaged = (
        item.reason == NOT_DICOM and _folder_and_suffix(item.file) in kinds
        for item in study.passed_over
    )
    unsure = {Code.DUPLICATES, Code.MISSING_SLICES} & {found.code for found in stack.findings}
    return not (study.refusals or unsure or any(damaged) or _is_split(study, stack))


def _is_split(study: Study, stack: Stack) -> bool:
    """Whether images of its series that lie beside or between its slices are in another stack.

    Echoes, or the water and fat of one series, lie at the same positions.
    """
    series = (stack.identity.study_instance_uid, stack.identity.series_instance_uid)
    own = {frame.sop_instance_uid for frame in stack.frames}
    normal = stack.frames[0].grid.normal
    return any(
        np.min(np.abs(np.subtract(stack.positions_mm, frame.grid.origin @ normal)))
        > SAME_POSITION_MM
        for other in study.stacks
        if (other.identity.study_instance_uid, other.identity.series_instance_uid) == series
        and other.plane is stack.plane
        for frame in other.frames
        if frame.sop_instance_uid not in own
    )


def _folder_and_suffix(file: FileRef) -> tuple[Path, str]:
    name = file.path if file.member is None else Path(file.member)
    return name.parent, name.suffix


def proposed(pixels: StackPixels, laterality: Laterality, slice_index: int | None = None) -> Placed:
    """Propose landmarks on a coronal stack, and the slice too if none is named.

    The pixels stay decoded for later use.

    Raises
    ------
    NothingMeasurableError
        If it declines; the message says why and what to do.
    UnreadableFileError
        If the pixels of the stack cannot be decoded.
    """
    from meniscal_measure.locate.choice import Declined
    from meniscal_measure.locate.propose import propose

    found = propose(pixels.stack, pixels.read(), laterality.side, slice_index=slice_index)
    if isinstance(found, Declined):
        error = NothingMeasurableError(
            "No landmarks are proposed for {series}: {reason} (By hand: on the review page,"
            " or in a landmark file, --landmarks FILE. A slice is named with --slice.)",
            series=describe(pixels.stack),
            reason=found.reason,
        )
        error.likely_slice = found.likely_slice
        raise error
    return Placed(found.landmarks, found.confidence, findings=found.findings)

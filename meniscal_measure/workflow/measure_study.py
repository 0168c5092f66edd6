"""Measuring the coronal series of a study, and landmarks that lie on one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from meniscal_measure import __version__
from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, LandmarkSet, Origin
from meniscal_measure.caliper.measure import DEFAULT_CONVENTIONS, MeasuredSet, measure_set
from meniscal_measure.caliper.reading import Conventions, Reading, Signature, SliceReading, Source
from meniscal_measure.errors import LandmarkError, UsageError, prefixed
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.landmark_document import LandmarkDocument
from meniscal_measure.records.landmark_file import read_landmarks
from meniscal_measure.records.signatures import with_signature
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.find_slice import find_slice
from meniscal_measure.series.model import Choice, Identity, Laterality, Study
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import hint_findings, resolve_side
from meniscal_measure.slice_name import runs_from_front
from meniscal_measure.workflow.knee_reading import KneeReading, StrPath
from meniscal_measure.workflow.placing import from_document, proposed


def as_study(study: Study | StrPath) -> Study:
    """Open a study where a path is given.

    Examples
    --------
    >>> as_study(study) is study, len(as_study(sample).stacks)
    (True, 1)
    """
    return study if isinstance(study, Study) else open_study(study)


def measure(
    study: Study | StrPath,
    *,
    landmarks: StrPath | None = None,
    side: Side | str | None = None,
    series: int | None = None,
    conventions: Conventions = DEFAULT_CONVENTIONS,
    refine_edges: bool = False,
    measure_neighbours: bool = True,
    place: Mapping[str, tuple[float, float]] | None = None,
    on_slice: str | None = None,
) -> KneeReading:
    """Measure meniscal extrusion on the coronal series of a study.

    Parameters
    ----------
    study
        What `open_study` returned, or a path to open.
    landmarks
        Landmark file, JSON or CSV. Without one the program proposes slice and landmarks, and the
        reading says so until a person has confirmed it.
    side
        Body side where the images do not say it: "left" or "right", or a `Side`.
    series
        Number of the series to measure, counted from 1 in the order of `contents`; by default
        the one the landmark file names, else the coronal series ranked first.
    conventions
        Axis and threshold rule.
    refine_edges
        Move each outer edge along the measuring direction onto the edge nearby, if there is one.
    measure_neighbours
        As in `measure_set`.
    place
        Landmarks of the measured slice placed by you, over those of the file or the proposal:
        `[column, row]` by name, as in a landmark file ("medial_rim").
    on_slice
        The slice to propose landmarks on, as `series.find_slice` takes it: "17", "instance:7" or
        a SOP Instance UID. Without it the program chooses the mid-coronal one.

    Returns
    -------
    KneeReading
        Not verified: a person has to confirm it. Only a landmark file that a reader signed on
        the review page gives a verified one, as long as `refine_edges` and `place` move nothing
        and it is measured along the axis it was signed along.

    Raises
    ------
    NothingMeasurableError
        If there is no coronal series, or no landmarks are given and none can be proposed.
    LandmarkError, SideError, GeometryError, UnreadableFileError
        If the landmarks, the side or the images cannot be used.

    Examples
    --------
    >>> knee = measure(sample, landmarks=sample / "landmarks.json")
    >>> round(knee.medial.extrusion.extrusion_mm, 6)
    3.0
    """
    found = as_study(study)
    file = None if landmarks is None else Path(landmarks)
    document = None if file is None else read_landmarks(file)
    if document is not None and on_slice is not None:
        raise UsageError(
            "The landmark file names the slice that is measured; give either it or the slice."
        )
    choice = _choose(found, document, series, file)
    laterality = resolve_side(choice.stack, _as_side(side))
    pixels = StackPixels(choice.stack)
    with nullcontext() if file is None else prefixed("{file:private}", file=str(file)):
        if document is None:
            named = None if on_slice is None else find_slice(choice.stack, on_slice)
            placed = proposed(pixels, laterality, named)
        else:
            placed = from_document(document, found, choice.stack)
        placed = placed.with_hand_placed(place or {}, choice.stack)
        if refine_edges:
            placed = placed.refined(pixels, conventions.axis)
        reading = measure_placed(
            choice,
            laterality,
            placed.landmarks,
            conventions=conventions,
            findings=(*_study_findings(found, choice), *placed.findings),
            measure_neighbours=measure_neighbours,
            confidence=placed.confidence,
        )
    return KneeReading(_as_signed(reading, placed.signature), pixels)


def _as_signed(reading: Reading, signature: Signature | None) -> Reading:
    """Mark a reading as verified if a reader signed its landmarks, and along the same axis."""
    if signature is None:
        return reading
    if signature.axis is not reading.conventions.axis:
        axes = {"signed": signature.axis.value, "measured": reading.conventions.axis.value}
        warning = Finding(Code.SIGNED_ALONG_ANOTHER_AXIS, axes)
        return replace(reading, warnings=(*reading.warnings, warning))
    return with_signature(reading, signature)


def measure_placed(
    choice: Choice,
    laterality: Laterality,
    landmarks: LandmarkSet,
    *,
    conventions: Conventions = DEFAULT_CONVENTIONS,
    findings: tuple[Finding, ...] = (),
    measure_neighbours: bool = True,
    confidence: float | None = None,
) -> Reading:
    """Measure landmarks that are in patient space already.

    Parameters
    ----------
    choice, landmarks
        The stack, why it was chosen, and landmarks on its slices.
    laterality
        The settled side, see `resolve_side`.
    conventions, measure_neighbours
        As in `measure_set`.
    findings
        Warnings on how the landmarks were placed, for the reading.
    confidence
        Confidence of the program where it proposed the landmarks; None where a person placed them.

    Raises
    ------
    LandmarkError, SideError
        If the landmarks cannot be measured or contradict the side.
    """
    results = measure_set(
        landmarks,
        choice.stack.frames,
        conventions=conventions,
        side=laterality.side,
        measure_neighbours=measure_neighbours,
    )
    return Reading(
        source=_source(choice, laterality, results),
        conventions=replace(conventions, slice=landmarks.slice_convention),
        slice_reason=landmarks.slice_reason,
        measured=results.measured,
        neighbours=results.neighbours,
        warnings=(
            *choice.stack.findings,
            *hint_findings(laterality),
            *findings,
            *(() if confidence is None else (Finding(Code.TRAINED_ON_DRAWN_KNEES),)),
            *_assumed_placement(results.measured),
            *results.warnings,
        ),
        software="meniscal_measure",
        software_version=__version__,
        measured_at=datetime.now(UTC).isoformat(timespec="seconds"),
        proposal_confidence=confidence,
    )


def _source(choice: Choice, laterality: Laterality, results: MeasuredSet) -> Source:
    stack, identity = choice.stack, choice.stack.identity
    grid = stack.frames[results.measured.slice_index].grid
    return Source(
        study_instance_uid=identity.study_instance_uid,
        series_instance_uid=identity.series_instance_uid,
        sop_instance_uid=results.measured.sop_instance_uid,
        series_description=identity.series_description,
        series_reason=choice.reason,
        patient_id=identity.patient_id,
        patient_name=identity.patient_name,
        study_date=identity.study_date,
        row_spacing_mm=grid.row_spacing_mm,
        column_spacing_mm=grid.column_spacing_mm,
        slice_spacing_mm=stack.spacing_mm,
        slice_count=len(stack.frames),
        from_the_front=runs_from_front(stack.frames),
        side=laterality.side,
        side_source=laterality.source,
    )


def _as_side(side: Side | str | None) -> Side | None:
    if side is None or isinstance(side, Side):
        return side
    try:
        return Side.from_word(side)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _choose(
    study: Study, document: LandmarkDocument | None, series: int | None, file: Path | None
) -> Choice:
    if series is not None or document is None:
        return choose_coronal(study, stack_number=series)
    named = document.sop_instance_uid
    images = {frame.sop_instance_uid for stack in study.stacks for frame in stack.frames}
    if named is not None and images and named not in images:
        refused = f" {len(study.refusals)} of its files were refused." if study.refusals else ""
        raise LandmarkError(
            "the image {image:private}, on which the landmarks are placed, is not among the usable"
            " images of {study:private}.{refused} Give the study they were placed on.",
            image=named,
            study=str(study.path),
            refused=refused,
        ).within("{file:private}", file=str(file))
    return choose_coronal(study, sop_instance_uid=named)


def _assumed_placement(measured: SliceReading) -> tuple[Finding, ...]:
    """Warn where the uncertainty rests on an assumed standard deviation."""
    placed = (mark for part in measured.compartments.values() for mark in part.landmarks.values())
    if any(mark.origin is Origin.READER and mark.sd_mm == HAND_PLACEMENT_SD_MM for mark in placed):
        return (Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": HAND_PLACEMENT_SD_MM}),)
    return ()


def _study_findings(study: Study, choice: Choice) -> Iterator[Finding]:
    """Warn of refused files, and of images that were chosen from several examinations."""
    if study.refusals:  # without file names, which may name the patient
        yield Finding(Code.FILES_REFUSED, {"count": len(study.refusals)})
    identity = choice.stack.identity
    others = {_examination(stack.identity) for stack in choice.alternatives}
    count = len(others - {_examination(identity)})
    if count:
        date = identity.study_date or "unknown date"
        yield Finding(Code.SEVERAL_EXAMINATIONS, {"count": count + 1, "date": date})


def _examination(identity: Identity) -> tuple[str, ...]:
    """Tell examinations apart, those of two patients also where they share a study's UID."""
    return (*identity.patient, identity.study_instance_uid)

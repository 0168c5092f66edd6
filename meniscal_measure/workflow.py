"""From a folder to a reading: the rooms in the order the data flows through them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, LandmarkSet, PlacedLandmark
from meniscal_measure.caliper.measure import DEFAULT_CONVENTIONS, measure_set
from meniscal_measure.caliper.reading import Conventions, Reading
from meniscal_measure.caliper.refinement import refine_slice
from meniscal_measure.errors import (
    LandmarkError,
    NothingMeasurableError,
    SideError,
    UsageError,
)
from meniscal_measure.files import Progress
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee_reading import KneeReading, StrPath, assembled
from meniscal_measure.locate.propose import propose
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.landmark_file import (
    named_sop_instance_uids,
    read_landmark_file,
    signature_of,
)
from meniscal_measure.records.landmark_text import LANDMARK_NAMES
from meniscal_measure.records.signing import with_signature
from meniscal_measure.series.choose import choose_coronal, describe
from meniscal_measure.series.model import Choice, Laterality, Stack, Study
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import hint_findings, resolve_side


def read(path: StrPath, *, progress: Progress | None = None) -> Study:
    """Find the image series of a study, reading headers only.

    Parameters
    ----------
    path
        Folder of any depth, zip archive, DICOMDIR or single file.
    progress
        Called after each file with the number of files done and their total.

    Raises
    ------
    UsageError
        If there is nothing at that path.
    """
    return open_study(path, progress=progress)


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
) -> KneeReading:
    """Measure meniscal extrusion on the coronal series of a study.

    Parameters
    ----------
    study
        What `read` returned, or a path to read.
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
    """
    found = study if isinstance(study, Study) else read(study)
    path = None if landmarks is None else Path(landmarks)
    choice = _choose(found, path, series)
    laterality = resolve_side(choice.stack, _as_side(side))
    if path is None:
        placed, confidence = propose_landmarks(choice.stack, laterality)
    else:
        placed, confidence = read_landmark_file(path, choice.stack.frames), None
    with _naming(path):
        placed = _with_placed(placed, choice.stack, place or {})
        placed, unrefined = (
            _refined(placed, choice.stack, conventions) if refine_edges else (placed, ())
        )
        reading = measure_placed(
            choice,
            laterality,
            placed,
            conventions=conventions,
            findings=(*_refused_files(found), *_other_examinations(choice), *unrefined),
            measure_neighbours=measure_neighbours,
            confidence=confidence,
        )
    if path is not None and not (refine_edges or place):
        reading = _as_signed(reading, path)
    return KneeReading(reading, choice.stack)


def _as_signed(reading: Reading, landmarks: Path) -> Reading:
    """Mark a reading as verified if a reader signed its landmarks, and along the same axis."""
    signature = signature_of(landmarks)
    if signature is None:
        return reading
    if signature.axis is not reading.conventions.axis:
        axes = {"signed": signature.axis.value, "measured": reading.conventions.axis.value}
        warning = Finding(Code.SIGNED_ALONG_ANOTHER_AXIS, axes)
        return replace(reading, warnings=(*reading.warnings, warning))
    return with_signature(reading, signature)


def propose_landmarks(stack: Stack, laterality: Laterality) -> tuple[LandmarkSet, float]:
    """Let the program propose the slice and the landmarks of a coronal stack.

    Returns
    -------
    landmarks, confidence
        The landmarks, and how sure the program is of them, from 0 to 1.

    Raises
    ------
    NothingMeasurableError
        If it declines; the message says why and what to do.
    UnreadableFileError
        If the pixels of the stack cannot be decoded.
    """
    proposal = propose(stack, read_pixels(stack), laterality.side)
    if proposal.landmarks is None:
        raise NothingMeasurableError(
            f"No landmarks are proposed for {describe(stack)}: {proposal.reason} Place them"
            " by hand: on the review page, or in a landmark file (--landmarks FILE)."
        )
    return proposal.landmarks, proposal.confidence


def _with_placed(
    landmarks: LandmarkSet, stack: Stack, place: Mapping[str, tuple[float, float]]
) -> LandmarkSet:
    """Put single landmarks of the measured slice where the user wants them."""
    measured = landmarks.measured
    grid = stack.frames[measured.slice_index].grid
    points = {compartment: dict(placed) for compartment, placed in measured.points.items()}
    for name, pixel in place.items():
        if name not in LANDMARK_NAMES:
            raise UsageError(
                f"There is no landmark {name!r}. The names are: {', '.join(LANDMARK_NAMES)}."
            )
        compartment, landmark = LANDMARK_NAMES[name]
        point_mm = as_vector(grid.to_patient(pixel))
        points.setdefault(compartment, {})[landmark] = PlacedLandmark(
            point_mm, HAND_PLACEMENT_SD_MM
        )
    return replace(landmarks, measured=replace(measured, points=points))


@contextmanager
def _naming(landmarks: Path | None) -> Iterator[None]:
    """Put the landmark file, if there is one, in front of what is wrong with its landmarks."""
    try:
        yield
    except (LandmarkError, SideError) as error:
        if landmarks is not None:
            error.within("{file:private}", file=str(landmarks))
        raise


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
    choice
        The stack, and why it was chosen.
    laterality
        The settled side, see `resolve_side`.
    landmarks
        Landmarks on the slices of that stack.
    conventions
        Axis and threshold rule.
    findings
        On how the landmarks were placed, to be carried by the reading.
    measure_neighbours
        As in `measure_set`.
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
    warnings = (*choice.stack.findings, *hint_findings(laterality), *findings, *results.warnings)
    reading = assembled(choice, laterality, landmarks, results, conventions, warnings)
    return replace(reading, proposal_confidence=confidence)


def reopen(record: dict[str, object], study: Study) -> KneeReading:
    """Bring a stored reading and the images it was taken on together again.

    Raises
    ------
    UsageError
        If the study does not hold the image the reading names, or it names none.
    """
    reading = reading_from_dict(record)
    if not reading.source.sop_instance_uid:
        raise UsageError(
            "The reading was written without identifiers, so that its images cannot be found"
            " again. Give the reading that names them, or measure again."
        )
    choice = choose_coronal(study, sop_instance_uid=reading.source.sop_instance_uid)
    return KneeReading(reading, choice.stack)


def _as_side(side: Side | str | None) -> Side | None:
    if side is None or isinstance(side, Side):
        return side
    try:
        return Side.from_word(side)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _choose(study: Study, landmarks: Path | None, series: int | None) -> Choice:
    if series is not None or landmarks is None:
        return choose_coronal(study, stack_number=series)
    named = next(iter(named_sop_instance_uids(landmarks)), None)
    images = {frame.sop_instance_uid for stack in study.stacks for frame in stack.frames}
    if named is not None and images and named not in images:
        refused = f" {len(study.refusals)} of its files were refused." if study.refusals else ""
        raise LandmarkError(
            f"{landmarks}: the image {named}, on which the landmarks are placed, is not among the"
            f" usable images of {study.path}.{refused} Give the study they were placed on."
        )
    return choose_coronal(study, sop_instance_uid=named)


def _refined(
    landmarks: LandmarkSet, stack: Stack, conventions: Conventions
) -> tuple[LandmarkSet, tuple[Finding, ...]]:
    findings: list[Finding] = []
    slices = []
    for item in (landmarks.measured, *landmarks.neighbours):
        (image,) = read_pixels(stack, [item.slice_index])
        grid = stack.frames[item.slice_index].grid
        refined = refine_slice(item, image, grid, axis=conventions.axis)
        slices.append(refined.landmarks)
        findings.extend(refined.findings)
    return replace(landmarks, measured=slices[0], neighbours=tuple(slices[1:])), tuple(findings)


def _refused_files(study: Study) -> tuple[Finding, ...]:
    """Say so when the series may lack slices; without file names, which may name the patient."""
    count = len(study.refusals)
    return (Finding(Code.FILES_REFUSED, {"count": count}),) if count else ()


def _other_examinations(choice: Choice) -> tuple[Finding, ...]:
    """Say so when the images were chosen from those of several examinations."""
    identity = choice.stack.identity
    others = {stack.identity.study_instance_uid for stack in choice.alternatives}
    count = len(others - {identity.study_instance_uid})
    if not count:
        return ()
    date = identity.study_date or "unknown date"
    return (Finding(Code.SEVERAL_EXAMINATIONS, {"count": count + 1, "date": date}),)

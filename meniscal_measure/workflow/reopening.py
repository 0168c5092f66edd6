"""A stored reading, reopened on the images it was taken on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from meniscal_measure.caliper.landmarks import LandmarkSet, SliceLandmarks
from meniscal_measure.caliper.reading import Reading, SliceReading, Source
from meniscal_measure.errors import InputError, MeniscalMeasureError, UsageError
from meniscal_measure.findings import Finding
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.signatures import check_seals
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Laterality, Stack, Study
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.series.side import CORRECTED, corrected_side, resolve_side
from meniscal_measure.workflow.knee_reading import KneeReading
from meniscal_measure.workflow.measure_study import measure_placed

REPRODUCES_WITHIN = 1e-6
"""Largest difference, in mm or as a fraction, at which a stored value counts as measured again.

Another processor or library rounds in the twelfth digit; what is printed has two decimals.
"""


NOT_COMPARED = frozenset(
    {"software", "measured_at", "verified", "verified_by", "signatures", "proposal_confidence",
     "warnings", "series_reason", "side_source"}
)  # fmt: skip
"""Keys of a record that do not follow from landmarks and images."""


def reopen(reading: Reading, study: Study) -> KneeReading:
    """Reopen a stored reading on its images, and measure its landmarks again.

    A warning that the reading lacks is given back to it, and so are the values of one.

    Raises
    ------
    UsageError
        If the study does not hold the image the reading names, or it names none.
    InputError
        If the study names another patient, if landmarks were moved after they were signed, or the
        values are not those that the landmarks give on these images.

    Examples
    --------
    >>> from meniscal_measure.workflow.measure_study import measure
    >>> knee = measure(study, landmarks=sample / "landmarks.json")
    >>> reopen(knee.reading, study).reading == knee.reading
    True
    """
    if not reading.source.sop_instance_uid:
        raise UsageError(
            "The reading was written without identifiers, so that its images cannot be found"
            " again. Give the reading that names them, or measure again."
        )
    check_seals(reading)
    choice = choose_coronal(study, sop_instance_uid=reading.source.sop_instance_uid)
    try:
        again = measure_placed(
            choice,
            _side(choice.stack, reading.source),
            _landmarks(reading),
            conventions=reading.conventions,
        )
    except MeniscalMeasureError as error:
        raise InputError(
            "The stored reading cannot be measured again: {reason} Measure the study again.",
            reason=error.words(),
        ) from error
    if again.source.patient_id != reading.source.patient_id:
        raise InputError(
            "The stored reading is of Patient ID {read:private}, the study of {study:private}."
            " Find out whose knee it is, and measure the study again.",
            read=reading.source.patient_id or "nobody",
            study=again.source.patient_id or "nobody",
        )
    differing = next(_differences(reading, again), None)
    if differing is not None:
        raise InputError(
            "The stored reading does not follow from its landmarks: measured again, {what} is"
            " another. It was changed after it was written, or written by another version"
            " ({version}). Measure the study again.",
            what=differing,
            version=reading.software_version,
        )
    warnings = _warnings(reading, again)
    return KneeReading(replace(reading, warnings=warnings), StackPixels(choice.stack))


def _warnings(stored: Reading, again: Reading) -> tuple[Finding, ...]:
    """Take the stored warnings, those that come up again as images and landmarks give them now."""
    given = {(found.code, found.where) for found in again.warnings}
    texts = {found.values.get("text") for found in stored.warnings}  # of an earlier version
    kept = [
        found
        for found in stored.warnings
        if found in again.warnings or (found.code, found.where) not in given
    ]
    new = (found for found in again.warnings if found not in kept and found.words() not in texts)
    return (*kept, *new)


def _side(stack: Stack, source: Source) -> Laterality:
    if source.side is not None and source.side_source.startswith(CORRECTED):
        return corrected_side(stack, source.side, source.side_source)
    return resolve_side(stack, source.side)


def _landmarks(reading: Reading) -> LandmarkSet:
    return LandmarkSet(
        _of_slice(reading.measured),
        tuple(map(_of_slice, reading.neighbours)),
        reading.conventions.slice,
        reading.slice_reason,
    )


def _of_slice(part: SliceReading) -> SliceLandmarks:
    return SliceLandmarks(part.slice_index, part.landmarks)


def _differences(stored: Reading, again: Reading) -> Iterator[str]:
    """List what differs, as `medial.extrusion_mm`."""
    old, new = (dict(_values(reading_to_dict(reading))) for reading in (stored, again))
    for key in sorted({*old, *new}):
        if not _same(old.get(key), new.get(key)):
            yield key


def _values(record: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(record, dict):
        for name, part in record.items():
            if name not in NOT_COMPARED:
                yield from _values(part, f"{key}.{name}" if key else name)
    elif isinstance(record, list | tuple):
        for number, part in enumerate(record):
            yield from _values(part, f"{key}[{number}]")
    else:
        yield key, record


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float | int) and isinstance(other, float | int):
        return abs(one - other) <= REPRODUCES_WITHIN  # False where one is not a number
    return bool(one == other)

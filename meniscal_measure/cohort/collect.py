"""Readings that readers signed on the review page, brought into the manifest of the study."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from meniscal_measure.caliper.axis import name_of
from meniscal_measure.caliper.reading import AxisConvention, Reading, Signature, SliceReading
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.files import write_text
from meniscal_measure.records.landmark_document import LandmarkDocument, SliceEntry, SliceRef
from meniscal_measure.records.landmark_file import landmark_json, signed
from meniscal_measure.records.signed_readings import SignedReading

NOT_SIGNED = "not signed yet"
"""Why a reading that its reader has not signed is left out."""


@dataclass(frozen=True)
class Collected:
    """The manifest of a study as far as it is signed."""

    entries: tuple[Entry, ...]
    measurable: int
    rejected: int
    unknown: tuple[SignedReading, ...]
    """Signed readings that the manifest does not ask for."""
    axes: Mapping[AxisConvention, int]
    """How many of the measurable readings were signed along which axis."""

    @property
    def waiting(self) -> int:
        """Readings that are not signed yet."""
        return sum(entry.exclude == NOT_SIGNED for entry in self.entries)


def collect(entries: Sequence[Entry], signings: Iterable[SignedReading]) -> Collected:
    """Write the signed landmarks of a study, and state the outcome of each reading.

    Parameters
    ----------
    entries
        The manifest of `assignment.plan_readings`, which says where the landmarks of each reading
        go.
    signings
        What was signed, newest last.

    Returns
    -------
    Collected
        A rejected or not yet signed reading is an entry with the reason in `exclude`; a side that
        only the reader knew is filled in.

    Raises
    ------
    OutputError
        If a landmark file cannot be written.
    """
    newest = {(one.reader, one.knee, one.round): one for one in signings}
    found = [
        (entry, newest.pop((entry.reader, Path(entry.landmarks).stem, 1), None))
        for entry in entries
    ]
    verdicts = [one for _, one in found if one is not None]
    readings = [one.reading for one in verdicts if one.reading is not None]
    return Collected(
        tuple(_settled(entry, one) for entry, one in found),
        len(readings),
        len(verdicts) - len(readings),
        tuple(newest.values()),
        Counter(reading.conventions.axis for reading in readings),
    )


def _settled(entry: Entry, signing: SignedReading | None) -> Entry:
    if entry.exclude:
        return entry
    if signing is None:
        return replace(entry, exclude=NOT_SIGNED)
    if signing.reading is None:
        reason = f"rejected by {signing.reader}: {signing.rejection}"
        return replace(entry, exclude=reason)
    write_text(Path(entry.landmarks), landmark_json(_document(signing, signing.reading)))
    return replace(entry, side=entry.side or signing.reading.source.side)


def _document(signing: SignedReading, reading: Reading) -> LandmarkDocument:
    slices = tuple(map(_slice, (reading.measured, *reading.neighbours)))
    axis = reading.conventions.axis
    by = Signature(signing.reader, signing.signed_at, axis, signing.quality, signing.remark)
    document = LandmarkDocument(slices, reading.conventions.slice, reading.slice_reason)
    return signed(document, by)


def _slice(part: SliceReading) -> SliceEntry:
    points = {
        name_of(compartment, landmark): (placed.point_mm, placed.sd_mm)
        for compartment, found in part.landmarks.items()
        for landmark, placed in found.items()
    }
    return SliceEntry(SliceRef(part.slice_index, part.sop_instance_uid), points)

"""Readings that readers signed on the review page, brought into the manifest of the study."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Signature
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.files import write_text
from meniscal_measure.records.landmark_file import landmark_json, signed
from meniscal_measure.records.landmark_text import (
    LandmarkDocument,
    SliceEntry,
    SliceName,
)

Record = Mapping[str, Any]

NOT_SIGNED = "not signed yet"
"""Why a reading is left out that its reader has not signed."""


@dataclass(frozen=True)
class Signed:
    """What a reader signed last for one knee of a work list.

    `knee` is the name of the knee there, `round` the how-manieth time the page showed it.
    `reading` is laid out as `meniscal_measure.records.codec.reading_to_dict` does; None where the
    reader rejected the knee, for the reason in `rejection`.
    """

    reader: str
    knee: str
    round: int
    signed_at: str
    """UTC, ISO 8601."""
    reading: Record | None
    rejection: str = ""
    quality: tuple[str, ...] = ()
    remark: str = ""


@dataclass(frozen=True)
class Collected:
    """The manifest of a study as far as it is signed."""

    entries: tuple[Entry, ...]
    measurable: int
    rejected: int
    strangers: tuple[Signed, ...]
    """Signed readings that the manifest does not ask for."""
    axes: Mapping[AxisConvention, int]
    """How many of the measurable readings were signed along which axis."""

    @property
    def waiting(self) -> int:
        """Readings that are not signed yet."""
        return sum(entry.exclude == NOT_SIGNED for entry in self.entries)


def collect(entries: Sequence[Entry], signings: Iterable[Signed]) -> Collected:
    """Write the signed landmarks of a study, and say of each reading what became of it.

    Parameters
    ----------
    entries
        The manifest that `readers.plan_readings` made; the landmarks of a reading go where it
        says.
    signings
        What was signed, newest last.

    Returns
    -------
    Collected
        A rejected or not yet signed reading is an entry with the reason in `exclude`; a side that
        only the reader could tell is filled in.

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
        Counter(map(_axis, readings)),
    )


def _settled(entry: Entry, signing: Signed | None) -> Entry:
    if entry.exclude:
        return entry
    if signing is None:
        return replace(entry, exclude=NOT_SIGNED)
    if signing.reading is None:
        reason = f"rejected by {signing.reader}: {signing.rejection}"
        return replace(entry, exclude=reason)
    write_text(Path(entry.landmarks), landmark_json(_document(signing, signing.reading)))
    return replace(entry, side=entry.side or Side.from_word(signing.reading["source"]["side"]))


def _document(signing: Signed, record: Record) -> LandmarkDocument:
    place = record["slice"]
    slices = [_slice(place, record), *(_slice(part, part) for part in record["neighbours"])]
    document = LandmarkDocument(
        tuple(slices), SliceConvention(record["conventions"]["slice"]), place["reason"]
    )
    by = Signature(
        signing.reader, signing.signed_at, _axis(record), signing.quality, signing.remark
    )
    return signed(document, by)


def _axis(record: Record) -> AxisConvention:
    return AxisConvention(record["conventions"]["axis"])


def _slice(place: Record, compartments: Record) -> SliceEntry:
    return SliceEntry(
        SliceName(place["index"], place["sop_instance_uid"]), dict(_points(compartments))
    )


def _points(compartments: Record) -> Iterator[tuple[str, tuple[tuple[float, ...], float]]]:
    for compartment in Compartment:
        found = compartments.get(compartment.value) or {}
        for landmark, point in found.get("landmarks", {}).items():
            yield f"{compartment.value}_{landmark}", (tuple(point["patient_mm"]), point["sd_mm"])

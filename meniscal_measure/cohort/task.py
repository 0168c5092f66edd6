"""One reading as a task, and its outcome."""

from __future__ import annotations

import hashlib
import json
import re
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import Any, Self

import msgspec

from meniscal_measure import __version__
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.columns import MEASURED_FIELDS, Provenance, measured_values
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.patient_marks import UNMARKED, PatientMarks, patient_marks
from meniscal_measure.cohort.source_files import digests, fetched, networks_digest
from meniscal_measure.errors import InputError, MeniscalMeasureError

Record = dict[str, Any]
"""A reading as `meniscal_measure.records.codec.reading_to_dict` lays it out."""

DECIDING = frozenset({"threshold_rule", "threshold_mm"})
"""Conventions by which values are flagged, on which no measured value depends."""

SUBFOLDERS = r"(?:[/\\!](?:(?!: ).)*(?=[/\\]))?"
"""In a message, the rest of a path up to its file; folders may have blanks, and a colon ends it."""


@dataclass(frozen=True)
class Settings:
    """What decides the numbers of every reading of a run.

    What does not, such as the number of workers or how readings are reported, is not part of it.
    The landmarks that a reading is made from belong to its entry.
    """

    conventions: Conventions = field(default_factory=Conventions)
    refine_edges: bool = False

    def to_json(self) -> str:
        """Write settings and software version as text, the same for the same settings.

        Examples
        --------
        >>> Settings().measures_like(Settings().to_json())
        True
        """
        asked = {"conventions": self.conventions.asked(), "refine_edges": self.refine_edges}
        return json.dumps({"software_version": __version__, **asked}, sort_keys=True)

    @cached_property
    def digest(self) -> str:
        """Identifies readings made under these settings."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def measures_like(self, text: str) -> bool:
        """Whether settings, as text, measure the same, whatever is decided on it."""
        return _without_deciding(text) == _without_deciding(self.to_json())


def _without_deciding(text: str) -> Record:
    settings: Record = json.loads(text)
    kept = {key: value for key, value in settings["conventions"].items() if key not in DECIDING}
    return {**settings, "conventions": kept}


class Status(StrEnum):
    """Outcome of a task."""

    MEASURED = "measured"
    REFUSED = "refused"
    """The input cannot be used; it would be refused again."""
    CRASHED = "crashed"
    """A fault or a lost worker; worth another try."""
    UNCHANGED = "unchanged"
    """The files were touched, but hold the same bytes as when they were last measured."""
    DECIDED = "decided"
    """Measured before; now only compared with another threshold. Stored as measured."""


@dataclass(frozen=True)
class Task:
    """An entry to be measured."""

    entry: Entry
    settings: Settings
    fingerprint: bytes
    """Of names, sizes and times of the files when the run began."""
    known_digest: str | None = None
    """Hash of the bytes when the entry was last done under these settings."""
    patient_key: bytes = b""
    """Key of the store for `patient_marks`."""


@dataclass(frozen=True)
class Row:
    """A reading as the store keeps it; the workers prepare it, as there are many of them."""

    values: tuple[Any, ...]
    """Those of `MEASURED_FIELDS`."""
    packed: bytes
    """The whole record, compressed."""

    @classmethod
    def of(cls, record: Record, made_from: Provenance | None = None) -> Self:
        """Lay out a record."""
        values = measured_values(record, made_from or Provenance())
        packed = zlib.compress(json.dumps(record).encode())
        return cls(tuple(values[field.name] for field in MEASURED_FIELDS), packed)


def unpacked(packed: bytes) -> Record:
    """Take the record from a row; one of an earlier version is brought into the present layout.

    Raises
    ------
    InputError, zlib.error, AttributeError, LookupError, TypeError, ValueError, RecursionError
        If it is damaged.
    """
    from meniscal_measure.records.codec import reading_from_dict
    from meniscal_measure.records.earlier_layout import newest_layout

    record = newest_layout(json.loads(zlib.decompress(packed)))
    reading_from_dict(record)
    return record


class _Warned(msgspec.Struct):
    """The one part of a record that is needed where there are many."""

    warnings: list[msgspec.Raw] = []


def packed_warnings(packed: bytes) -> tuple[bytes, ...]:
    """Take the findings of a packed record, each as JSON."""
    record = msgspec.json.decode(zlib.decompress(packed), type=_Warned)
    return tuple(map(bytes, record.warnings))


@dataclass(frozen=True)
class Outcome:
    """Outcome of a task, with the reading if there is one."""

    task: Task
    status: Status
    digest: str = ""
    reason: str = ""
    row: Row | None = None
    patient: PatientMarks = UNMARKED
    seconds: float = 0.0


Measure = Callable[[Entry, Path, Path | None, Settings], Record]
"""Measures an entry from its images and landmark file. Must be picklable by name.

Beside the reading, the record may name the `patient`, who is marked and left out of the store.
"""


def carry_out(task: Task, measure: Measure) -> Outcome:
    """Measure one entry; whatever goes wrong becomes an outcome with a reason."""
    started = time.perf_counter()
    try:
        outcome = _measured(task, measure)
    except MeniscalMeasureError as error:
        outcome = Outcome(task, Status.REFUSED, reason=error.words(identifiers=False))
    except Exception as error:  # one knee must never stop the others
        outcome = Outcome(task, Status.CRASHED, reason=f"{type(error).__name__}: {error}")
    reason = _without_places(outcome.reason, task.entry.path, task.entry.landmarks)
    return replace(outcome, reason=reason, seconds=time.perf_counter() - started)


def _without_places(reason: str, images: str, landmarks: str) -> str:
    """Leave out where files lie: folders may carry a patient's name, and reasons are published.

    So may those below the folder of the images; of a path only the name of the file is kept.
    """
    for place, word in ((landmarks, "landmark file"), (images, "images")):
        if place:
            reason = re.sub(re.escape(place) + SUBFOLDERS, word, reason)
    return reason


def _measured(task: Task, measure: Measure) -> Outcome:
    with fetched(task.entry) as (images, landmarks):
        found = digests(task.entry, images, landmarks)
        if found.whole == task.known_digest:
            return Outcome(task, Status.UNCHANGED, found.whole)
        try:
            record = measure(task.entry, images, landmarks, task.settings)
        except MeniscalMeasureError as error:
            reason = error.words(identifiers=False)  # it stands in the report
            return Outcome(task, Status.REFUSED, found.whole, reason)
    marks = patient_marks(task.patient_key, record.pop("patient", ("", "", "")))
    networks = networks_digest() if record.get("proposal_confidence") is not None else ""
    made_from = Provenance(found.images, found.landmarks, networks)
    row = Row.of(record, made_from)
    return Outcome(task, Status.MEASURED, found.whole, row=row, patient=marks)


def measure_knee(entry: Entry, images: Path, landmarks: Path | None, settings: Settings) -> Record:
    """Measure one knee as the `measure` command does.

    Returns
    -------
    dict
        The reading of the measured slice, without the patient's name and number, and
        without any identifier in its warnings: a cohort knows its subjects by the names of
        the manifest. Neighbouring slices count in the uncertainty; their own readings are
        left out, as they take most of the time. Its `patient` is that of the images.

    Raises
    ------
    InputError
        If the images or the landmarks cannot be used, or the side stays unknown.
    """
    from meniscal_measure import workflow
    from meniscal_measure.records.codec import reading_to_dict
    from meniscal_measure.records.identifiers import without_identifiers

    knee = workflow.measure(
        images,
        landmarks=landmarks,
        side=entry.side,
        series=entry.series,
        conventions=settings.conventions,
        refine_edges=settings.refine_edges,
        measure_neighbours=False,
    )
    reading = knee.reading
    if reading.source.side is None:
        raise InputError(
            "The images do not say which knee this is; medial and lateral cannot be told apart."
            " Give the side in the manifest."
        )
    source = replace(reading.source, patient_id="", patient_name="")
    warnings = without_identifiers(reading).warnings  # they stand in the report
    record = reading_to_dict(replace(reading, source=source, warnings=warnings))
    return record | {"patient": knee.stack.identity.patient}

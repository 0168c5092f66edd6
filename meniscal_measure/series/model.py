"""What is known of a study once its headers are read: frames, ordered stacks, and what was found.

No pixels here: `meniscal_measure.series.pixels` reads them when they are needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import NamedTuple

from pydicom.uid import ExplicitVRLittleEndian

from meniscal_measure.anatomy import Plane, Side
from meniscal_measure.findings import Finding
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.sentences import Sentence, SliceName, Worded


@dataclass(frozen=True)
class FileRef:
    """Where a DICOM file lies: a path, or a member of a zip archive at that path."""

    path: Path
    member: str | None = None

    def __str__(self) -> str:
        return str(self.path) if self.member is None else f"{self.path}!{self.member}"


class Weighting(StrEnum):
    """Contrast of a series, as far as its header gives it."""

    PROTON_DENSITY = "PD"
    T2 = "T2"
    T1 = "T1"
    GRADIENT_ECHO = "GRE"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Contrast:
    """What makes the contrast of a stack, with the evidence it was read from."""

    weighting: Weighting
    fat_suppressed: bool
    evidence: str
    repetition_time_ms: float | None = None
    echo_time_ms: float | None = None


Patient = tuple[str, str, str]
"""ID, name and date of birth: compared, never shown by themselves."""


def patient_of(patient_id: str, name: str, birth_date: str) -> Patient:
    """Take the identity of a patient, without differences that only writing makes.

    Examples
    --------
    >>> patient_of("4711 ", "DOE^JO^", "19700101")
    ('4711', 'doe^jo', '19700101')
    """
    return patient_id.strip(), name.strip(" ^=").casefold(), birth_date.strip()


@dataclass(frozen=True)
class Identity:
    """Identifying attributes shared by the frames of a stack; empty where the file has none."""

    patient_id: str
    patient_name: str
    study_date: str
    study_instance_uid: str
    series_instance_uid: str
    series_number: int | None
    series_description: str
    frame_of_reference_uid: str
    patient_birth_date: str = ""
    """Distinguishes patients; never shown or stored."""

    @property
    def patient(self) -> Patient:
        """ID, name and date of birth, see `patient_of`."""
        return patient_of(self.patient_id, self.patient_name, self.patient_birth_date)


class SideHint(NamedTuple):
    """A side that free text names: keyword of the attribute, and its text."""

    side: Side
    attribute: str
    text: str


@dataclass(frozen=True)
class Laterality:
    """The body side of a stack and where it was read.

    `side` comes from a coded DICOM attribute or from the user, never from free text or position.
    `hints` are the sides found only in free text: they are offered, not used.
    `conflict` says in words how coded attributes contradict each other; `side` is then None and
    `meniscal_measure.series.side.resolve_side` refuses the stack.
    """

    side: Side | None
    source: str
    hints: tuple[SideHint, ...] = ()
    conflict: str = ""

    @property
    def hint(self) -> Side | None:
        """The side that free text names; None where it names none, or both."""
        sides = {hint.side for hint in self.hints}
        return sides.pop() if len(sides) == 1 else None

    @property
    def hint_source(self) -> str:
        """Attribute and text of the hint; names are found in such texts."""
        return "" if self.hint is None else f'{self.hints[0].attribute} "{self.hints[0].text}"'


@dataclass(frozen=True)
class PixelEncoding:
    """How stored pixel values become intensities."""

    transfer_syntax_uid: str
    rescale_slope: float = 1.0
    rescale_intercept: float = 0.0
    mirrored_at: float | None = None
    """For MONOCHROME1, where the largest stored value is black: the sum of the smallest and the
    largest value that can be stored, from which the stored value is subtracted; else None."""


@dataclass(frozen=True)
class Frame:
    """One image plane: its file, its place in patient space, and its identity."""

    file: FileRef
    frame_index: int | None
    """Zero-based index in a multi-frame file; None in a single-frame one."""
    sop_instance_uid: str
    grid: PixelGrid
    slice_thickness_mm: float | None
    encoding: PixelEncoding = PixelEncoding(ExplicitVRLittleEndian)
    instance_number: int | None = None
    """What an archive shows as the number of the image; it names a slice and orders nothing."""


@dataclass(frozen=True)
class Stack:
    """Parallel frames of one series, ordered along their common normal.

    Frame 0 is the one with the smallest position along `frames[0].grid.normal`, that is row
    direction x column direction as DICOM stores them. The order therefore follows the images, never
    the files: coronal images shown in the usual way run from anterior to posterior.
    """

    identity: Identity
    plane: Plane
    contrast: Contrast
    laterality: Laterality
    frames: tuple[Frame, ...]
    positions_mm: tuple[float, ...]
    """Position of each frame along the common normal."""
    findings: tuple[Finding, ...]
    """What was found wrong or noteworthy: uneven gaps, missing slices, duplicates."""

    @property
    def spacing_mm(self) -> float | None:
        """Median distance between neighbouring frames; None for a single frame.

        Examples
        --------
        >>> study.stacks[0].spacing_mm
        3.0
        """
        gaps = [b - a for a, b in pairwise(self.positions_mm)]
        return median(gaps) if gaps else None


@dataclass(frozen=True)
class Refusal:
    """A file that cannot be used, with the reason and the remedy."""

    file: FileRef
    why: Sentence

    @property
    def reason(self) -> str:
        """The reason and the remedy in words."""
        return self.why.words()

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put file and reason into words."""
        said = Sentence("{file:private}: {why}", {"file": str(self.file), "why": self.why})
        return said.words(identifiers=identifiers, slice_name=slice_name)


@dataclass(frozen=True)
class Study:
    """Everything found under one path."""

    path: Path
    stacks: tuple[Stack, ...]
    refusals: tuple[Refusal, ...]
    """DICOM MR files that should have been usable and are not."""
    passed_over: tuple[Refusal, ...]
    """Files that are not needed: not DICOM, or DICOM of another kind."""


@dataclass(frozen=True)
class Choice:
    """The coronal stack chosen for the job, and why."""

    stack: Stack
    why: Worded
    alternatives: tuple[Stack, ...]

    @property
    def reason(self) -> str:
        """Why it was chosen, in words for the reader."""
        return self.why.words()

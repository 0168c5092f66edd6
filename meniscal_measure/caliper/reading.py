"""The reading: what was measured on one knee, under which conventions, with what uncertainty.

Plain frozen records. How they are measured is in the other modules of this room.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.landmarks import PlacedLandmark, SliceConvention
from meniscal_measure.findings import Finding
from meniscal_measure.slice_name import SliceName

if TYPE_CHECKING:  # asking for help on the command line is not to wait for numpy
    from meniscal_measure.geometry import Vector

THRESHOLD_MM = 3.0
"""Extrusion above which it counts as significant (Costa 2004: major is more than 3 mm)."""


class AxisConvention(StrEnum):
    """Direction along which extrusion is measured."""

    RIM_TO_RIM = "rim_to_rim"
    IMAGE_VERTICAL = "image_vertical"
    LOCAL_TANGENT = "local_tangent"


class ThresholdRule(StrEnum):
    """What a value of exactly the threshold counts as."""

    ABOVE = "above"
    """Significant when strictly greater (Costa 2004)."""
    AT_OR_ABOVE = "at_or_above"
    """Significant when greater or equal (Fong 2023)."""


class Decision(StrEnum):
    """Comparison with the threshold that takes the uncertainty into account."""

    ABOVE = "above"
    NOT_ABOVE = "not_above"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Conventions:
    """What a number means; two readings compare only when these agree."""

    axis: AxisConvention = AxisConvention.RIM_TO_RIM
    threshold_rule: ThresholdRule = ThresholdRule.ABOVE
    threshold_mm: float = THRESHOLD_MM
    slice: SliceConvention = SliceConvention.CHOSEN_BY_READER
    """Rule by which the measured slice was chosen; it comes with the landmarks and is the one
    convention that is not asked for."""

    def asked(self) -> dict[str, str | float]:
        """Lay out what is asked for, as settings are kept: all but the slice.

        Examples
        --------
        >>> list(Conventions().asked())
        ['axis', 'threshold_rule', 'threshold_mm']
        """
        return {name: value for name, value in asdict(self).items() if name != "slice"}


@dataclass(frozen=True)
class Quantity:
    """A measured value with its standard uncertainty, in the unit its name says."""

    value: float
    u: float


@dataclass(frozen=True)
class UncertaintyPart:
    """One line of the uncertainty budget: an input and what it adds to u, in mm."""

    source: str
    u_mm: float


@dataclass(frozen=True)
class Extrusion:
    """Extrusion of one meniscus on one slice.

    Signed distance along the axis from the rim to the outer edge, outward positive, with the
    standard uncertainty, the 95 % interval and the comparison with the threshold.
    """

    extrusion_mm: float
    u_mm: float
    interval95_mm: tuple[float, float]
    budget: tuple[UncertaintyPart, ...]
    probability_above_threshold: float
    flag: bool
    decision: Decision
    grade: int


@dataclass(frozen=True)
class CompartmentLandmarks:
    """The landmarks of one compartment on one slice."""

    compartment: Compartment
    landmarks: Mapping[Landmark, PlacedLandmark]
    landmark_pixels: Mapping[Landmark, tuple[float, float]]
    """`[column, row]` of each landmark."""


@dataclass(frozen=True)
class CompartmentReading(CompartmentLandmarks):
    """One compartment on one slice. Measures whose landmarks were not placed are None."""

    axis: Vector
    """Unit vector of the measuring direction, outward, LPS."""
    extrusion: Extrusion
    body_width_mm: Quantity | None
    overlap_mm: Quantity | None
    relative_extrusion: Quantity | None
    """Extrusion over body width, a fraction."""
    coverage: Quantity | None
    """Overlap over the width of the compartment's plateau, a fraction."""
    coverage_width: str
    """Which plateau width the coverage is taken over, named."""
    extrusion_over_plateau_width: Quantity | None


@dataclass(frozen=True)
class SliceReading:
    """Both compartments on one slice."""

    slice_index: int
    sop_instance_uid: str
    instance_number: int | None
    """Instance Number of the image; None where the file has none."""
    frame_number: int | None
    """From 1, in a multi-frame image; None where the slice is an image of its own."""
    position_mm: float
    """Position along the stack normal, mm."""
    centre_mm: Vector
    """Patient position of the middle of the slice, LPS mm."""
    plateau_width_mm: Quantity | None
    compartments: Mapping[Compartment, CompartmentReading]
    unmeasured: CompartmentLandmarks | None = None
    """Of a compartment whose outer edge was not placed; its rim may be one end of the axis."""

    @property
    def landmarks(self) -> Mapping[Compartment, Mapping[Landmark, PlacedLandmark]]:
        """Every landmark of the slice, those of a compartment that was not measured too.

        Examples
        --------
        >>> sorted(str(name) for name in reading.measured.landmarks)
        ['lateral', 'medial']
        """
        others = () if self.unmeasured is None else (self.unmeasured,)
        return {
            found.compartment: found.landmarks for found in (*self.compartments.values(), *others)
        }


@dataclass(frozen=True)
class Source:
    """The images a reading was taken on."""

    study_instance_uid: str
    series_instance_uid: str
    sop_instance_uid: str
    series_description: str
    series_reason: str
    patient_id: str
    patient_name: str
    study_date: str
    row_spacing_mm: float
    column_spacing_mm: float
    slice_spacing_mm: float | None
    slice_count: int
    from_the_front: bool | None
    """Whether slice indices run from front to back; None in readings that did not keep it."""
    side: Side | None
    side_source: str


@dataclass(frozen=True)
class Signature:
    """A reader's confirmation of the landmarks of one measured slice and its neighbours."""

    reader: str
    """Name or pseudonym; empty when identifiers were left out."""
    signed_at: str
    """UTC, ISO 8601; empty where the record does not say."""
    axis: AxisConvention
    """What the extrusion that was signed is measured along."""
    quality: tuple[str, ...] = ()
    """What the reader found wrong with the images."""
    remark: str = ""
    seal: str = ""
    """SHA-256 of all that was signed, so that a later change does not pass as signed."""


@dataclass(frozen=True)
class Reading:
    """Everything measured on one knee, ready to be shown or stored."""

    source: Source
    conventions: Conventions
    slice_reason: str
    measured: SliceReading
    neighbours: tuple[SliceReading, ...]
    """Other measured slices in geometric order, the measured one left out."""
    warnings: tuple[Finding, ...]
    software: str
    software_version: str
    measured_at: str
    """UTC, ISO 8601."""
    signatures: tuple[Signature, ...] = ()
    """Who confirmed the landmarks, the newest last."""
    proposal_confidence: float | None = None
    """Confidence of the program in the landmarks it proposed; None where a person placed them."""

    @property
    def verified(self) -> bool:
        """Whether a person confirmed the landmarks.

        Examples
        --------
        >>> reading.verified
        False
        """
        return bool(self.signatures)

    @property
    def verified_by(self) -> str | None:
        """Who confirmed them last; None if nobody, or if the name was left out."""
        return (self.signatures[-1].reader or None) if self.signatures else None

    def slice_name(self, index: int) -> SliceName | None:
        """Name a slice as people count, with its Instance Number where it was measured.

        None where the reading does not tell front from back.
        """
        if self.source.from_the_front is None:
            return None
        measured = {part.slice_index: part for part in (self.measured, *self.neighbours)}
        part = measured.get(index)
        return SliceName(
            number=index + 1 if self.source.from_the_front else self.source.slice_count - index,
            count=self.source.slice_count,
            instance_number=None if part is None else part.instance_number,
            frame_number=None if part is None else part.frame_number,
        )

    def slice_number(self, index: int) -> str:
        """Count a slice as people do, for use in sentences.

        Examples
        --------
        >>> reading.slice_number(3)
        '4'
        """
        name = self.slice_name(index)
        return f"index {index}" if name is None else str(name.number)

    @property
    def medial(self) -> CompartmentReading | None:
        """The medial compartment; None while the side is unknown or it was not measured."""
        return self.measured.compartments.get(Compartment.MEDIAL)

    @property
    def lateral(self) -> CompartmentReading | None:
        """The lateral compartment; None while the side is unknown or it was not measured."""
        return self.measured.compartments.get(Compartment.LATERAL)

    @property
    def named_compartments(self) -> tuple[Compartment, Compartment]:
        """The two compartments a reading speaks of, measured or not.

        Examples
        --------
        >>> [str(name) for name in reading.named_compartments]
        ['medial', 'lateral']
        """
        named = self.measured.compartments.keys()
        by_anatomy = named & {Compartment.MEDIAL, Compartment.LATERAL}
        if by_anatomy or (self.source.side is not None and not named):
            return Compartment.MEDIAL, Compartment.LATERAL
        return Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT

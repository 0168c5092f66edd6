"""The layout of a reading as JSON: the one definition that is written, read and published.

Patient coordinates are LPS mm; pixel coordinates are `[column, row]` with pixel centres at whole
numbers. Numbers are not rounded; keys name their unit. No other key is allowed, so that readers of
a version read all of it.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, UnsetType

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import Origin, SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Decision, ThresholdRule
from meniscal_measure.findings import Severity

SCHEMA_ID = "urn:meniscal-measure:reading"
"""Names the layout; with the version it is the `$id` of the published schema."""

SCHEMA_VERSION = 2
"""Raised when a key is added or changes its meaning.

Version 1 called the free edge inner_tip, kept no signatures but the name of the last reader, and
had the convention of the slice under `slice`.
"""

Pair = tuple[float, float]
Triple = tuple[float, float, float]
Deviation = Annotated[float, Meta(ge=0)]

_UNPLACED = "null if its landmarks were not placed"
_LEFT_OUT = "empty when identifiers were left out"


def _said(description: str, **limits: Any) -> Meta:
    return Meta(description=description, **limits)


def _u(unit: str) -> Meta:
    return Meta(description=f"Its standard uncertainty, {unit}; {_UNPLACED}")


class JsonObject(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A JSON object in which every key is required and no other is allowed."""


class SchemaPart(JsonObject, frozen=True, kw_only=True):
    """The layout this is."""

    id: Annotated[str, Meta(pattern=f"^{SCHEMA_ID}$")]
    version: Annotated[int, Meta(ge=SCHEMA_VERSION, le=SCHEMA_VERSION)]


class SoftwarePart(JsonObject, frozen=True, kw_only=True):
    """The program that measured."""

    name: str
    version: str


class SourcePart(JsonObject, frozen=True, kw_only=True):
    """The images a reading was taken on."""

    study_instance_uid: Annotated[str, _said(f"Study Instance UID (0020,000D); {_LEFT_OUT}")]
    series_instance_uid: Annotated[str, _said(f"Series Instance UID (0020,000E); {_LEFT_OUT}")]
    sop_instance_uid: Annotated[
        str, _said(f"SOP Instance UID (0008,0018) of the measured slice; {_LEFT_OUT}")
    ]
    series_description: Annotated[str, _said(f"Series Description (0008,103E); {_LEFT_OUT}")]
    series_reason: Annotated[str, _said("Why this series")]
    patient_id: Annotated[str, _said(f"Patient ID (0010,0020); {_LEFT_OUT}")]
    patient_name: Annotated[str, _said(f"Patient's Name (0010,0010); {_LEFT_OUT}")]
    study_date: Annotated[str, _said(f"Study Date (0008,0020), YYYYMMDD; {_LEFT_OUT}")]
    pixel_spacing_mm: Annotated[
        Pair, _said("Pixel Spacing (0028,0030): between rows, between columns, mm")
    ]
    slice_spacing_mm: Annotated[
        float | None, _said("Distance between slices, mm; null for a single slice")
    ]
    slice_count: Annotated[int, _said("Slices of the stack", ge=1)]
    from_the_front: Annotated[
        bool | None,
        _said("Whether slice indices run from front to back; null where it was not kept"),
    ]
    side: Annotated[
        Annotated[str, Meta(pattern="^(left|right)$")] | None,
        _said("Body side, left or right; null while unknown"),
    ]
    side_source: Annotated[str, _said("Where the side came from")]


class ConventionsPart(JsonObject, frozen=True, kw_only=True):
    """What the numbers mean; two readings compare only when these agree."""

    axis: Annotated[AxisConvention, _said("Measuring direction")]
    slice: Annotated[SliceConvention, _said("Rule by which the measured slice was chosen")]
    threshold_rule: Annotated[
        ThresholdRule, _said("Whether a value of exactly the threshold is flagged")
    ]
    threshold_mm: Annotated[float, _said("Threshold, mm")]


class SignaturePart(JsonObject, frozen=True, kw_only=True):
    """A reader's confirmation of the landmarks."""

    reader: Annotated[str, _said(f"Name or pseudonym; {_LEFT_OUT}")]
    signed_at: Annotated[str, _said("When, UTC, ISO 8601; empty where it is not known")]
    axis: Annotated[AxisConvention, _said("What the extrusion that was signed is measured along")]
    quality: Annotated[tuple[str, ...], _said("What the reader found wrong with the images")]
    remark: Annotated[str, _said(f"In the reader's words; {_LEFT_OUT}")]
    seal: Annotated[
        str, _said(f"SHA-256 of what was signed, so that a later change shows; {_LEFT_OUT}")
    ]


class LandmarkPart(JsonObject, frozen=True, kw_only=True):
    """A landmark on its slice."""

    patient_mm: Annotated[Triple, _said("Patient position, LPS mm")]
    pixel: Annotated[Pair, _said("[column, row] on the slice, pixels")]
    sd_mm: Annotated[float, _said("Standard deviation of its placement along the axis, mm", ge=0)]
    sd_across_mm: Annotated[
        Deviation | None,
        _said("Standard deviation of its placement across the axis, mm; null: as along it"),
    ]
    origin: Annotated[Origin, _said("Who or what placed it")]


Landmarks = Annotated[
    dict[Landmark, LandmarkPart],
    Meta(extra_json_schema={"propertyNames": {"enum": [name.value for name in Landmark]}}),
]


class BudgetPart(JsonObject, frozen=True, kw_only=True):
    """One line of the uncertainty budget."""

    source: Annotated[str, _said("Input of the budget")]
    u_mm: Annotated[float, _said("What it adds to u, mm", ge=0)]


class CompartmentPart(JsonObject, frozen=True, kw_only=True):
    """One compartment on one slice."""

    extrusion_mm: Annotated[
        float,
        _said(
            "Signed distance along the axis from the plateau rim to the outer edge of the meniscus,"
            " outward positive, mm"
        ),
    ]
    u_mm: Annotated[float, _said("Standard uncertainty of the extrusion, mm", ge=0)]
    interval95_mm: Annotated[
        Pair, _said("95 % coverage interval of the extrusion, lower and upper end, mm")
    ]
    budget: Annotated[tuple[BudgetPart, ...], _said("Uncertainty budget of the extrusion")]
    probability_above_threshold: Annotated[
        float, _said("Probability that the true extrusion is above the threshold", ge=0, le=1)
    ]
    flag: Annotated[bool, _said("Outcome of the plain threshold rule on the un-rounded value")]
    decision: Annotated[
        Decision, _said("Comparison with the threshold that takes the uncertainty into account")
    ]
    grade: Annotated[
        int,
        _said(
            "Grade of the un-rounded extrusion: 0 below 2 mm, 1 below 3 mm, 2 below 5 mm, 3 from"
            " 5 mm",
            ge=0,
            le=3,
        ),
    ]
    body_width_mm: Annotated[
        float | None, _said(f"Width of the meniscal body along the axis, mm; {_UNPLACED}")
    ]
    body_width_u_mm: Annotated[float | None, _u("mm")]
    overlap_mm: Annotated[
        float | None, _said(f"Part of the body on the plateau, along the axis, mm; {_UNPLACED}")
    ]
    overlap_u_mm: Annotated[float | None, _u("mm")]
    relative_extrusion: Annotated[
        float | None, _said(f"Extrusion over body width, a fraction; {_UNPLACED}")
    ]
    relative_extrusion_u: Annotated[float | None, _u("a fraction")]
    coverage: Annotated[
        float | None,
        _said(f"Overlap over the width of the compartment's plateau, a fraction; {_UNPLACED}"),
    ]
    coverage_u: Annotated[float | None, _u("a fraction")]
    coverage_width: Annotated[str, _said("Which plateau width the coverage is taken over")]
    extrusion_over_plateau_width: Annotated[
        float | None,
        _said(f"Extrusion over the width of the whole plateau, a fraction; {_UNPLACED}"),
    ]
    extrusion_over_plateau_width_u: Annotated[float | None, _u("a fraction")]
    axis: Annotated[Triple, _said("Unit vector of the measuring direction, outward, LPS")]
    landmarks: Landmarks


class UnmeasuredPart(JsonObject, frozen=True, kw_only=True):
    """A compartment whose outer edge was not placed; its rim may be one end of the axis."""

    compartment: Compartment
    landmarks: Landmarks


class SlicePart(JsonObject, frozen=True, kw_only=True):
    """One slice of the stack."""

    index: Annotated[
        int, _said("Index of the slice in geometric order along the stack normal, from 0", ge=0)
    ]
    number: Annotated[
        int | None,
        _said("The slice as people count, from 1 at the front; null where that is not known"),
    ]
    instance_number: Annotated[
        int | None, _said("Instance Number (0020,0013); null where the image has none")
    ]
    frame_number: Annotated[
        int | None, _said("Frame of a multi-frame image, from 1; null for an image of one frame")
    ]
    sop_instance_uid: Annotated[str, _said(f"SOP Instance UID of the slice; {_LEFT_OUT}")]
    position_mm: Annotated[float, _said("Position along the stack normal, mm")]
    centre_mm: Annotated[Triple, _said("Patient position of the middle of the slice, LPS mm")]
    plateau_width_mm: Annotated[
        float | None, _said(f"Distance of both plateau rims along the axis, mm; {_UNPLACED}")
    ]
    plateau_width_u_mm: Annotated[float | None, _u("mm")]
    unmeasured: Annotated[
        UnmeasuredPart | UnsetType,
        _said("Landmarks of a compartment that was not measured; absent where there are none"),
    ] = UNSET


class MeasuredSlicePart(SlicePart, frozen=True, kw_only=True):
    """The measured slice."""

    reason: Annotated[str, _said("Why this slice")]


class FindingPart(JsonObject, frozen=True, kw_only=True):
    """What was found noteworthy."""

    code: Annotated[str, _said("What was found; the same in every output and language")]
    severity: Severity
    slice: Annotated[int | None, _said("Index of the slice it was found on, counted from 0")]
    text: Annotated[str, _said("The finding in words")]
    values: Annotated[dict[str, str | int | float], _said("What the words were made from, by name")]


PerhapsMeasured = CompartmentPart | UnsetType | None
"""Of medial and lateral, or image left and image right while the side is unknown, both keys are
there; null stands for a compartment that was not measured."""


class NeighbourPart(SlicePart, frozen=True, kw_only=True):
    """Another measured slice."""

    medial: PerhapsMeasured = UNSET
    lateral: PerhapsMeasured = UNSET
    image_left: PerhapsMeasured = UNSET
    image_right: PerhapsMeasured = UNSET


class ReadingPart(JsonObject, frozen=True, kw_only=True):
    """One knee, measured on one coronal slice and its neighbours.

    A measurement aid, not a diagnosis. Patient coordinates are LPS mm; pixel coordinates are
    [column, row] with pixel centres at whole numbers.
    """

    schema: SchemaPart
    software: SoftwarePart
    measured_at: Annotated[
        str, _said("When it was measured, UTC, ISO 8601", extra_json_schema={"format": "date-time"})
    ]
    verified: Annotated[bool, _said("Whether a person confirmed the landmarks")]
    verified_by: Annotated[
        str | None, _said("Who confirmed them last; null if nobody, or if left out")
    ]
    signatures: Annotated[
        tuple[SignaturePart, ...], _said("Every confirmation of the landmarks, the newest last")
    ]
    proposal_confidence: Annotated[
        Annotated[float, Meta(ge=0, le=1)] | None,
        _said(
            "Confidence in the landmarks as the program proposed them; null where a person placed"
            " all of them"
        ),
    ]
    source: SourcePart
    conventions: ConventionsPart
    slice: MeasuredSlicePart
    medial: PerhapsMeasured = UNSET
    lateral: PerhapsMeasured = UNSET
    image_left: PerhapsMeasured = UNSET
    image_right: PerhapsMeasured = UNSET
    neighbours: Annotated[
        tuple[NeighbourPart, ...], _said("Other measured slices in geometric order")
    ]
    warnings: tuple[FindingPart, ...]
    notice: Annotated[str, _said("What this record is and is not")]

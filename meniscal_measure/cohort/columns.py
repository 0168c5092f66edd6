"""The columns of a cohort's results: one list for the store, the exports and the dictionary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM

Kind = Literal["TEXT", "INTEGER", "REAL"]

COMPARTMENTS = (Compartment.MEDIAL, Compartment.LATERAL)


@dataclass(frozen=True)
class Field:
    """A column: its name, storage class, unit and meaning."""

    name: str
    kind: Kind
    unit: str
    meaning: str


MANIFEST_FIELDS = (
    Field("subject", "TEXT", "", "pseudonym of the person, from the manifest"),
    Field("visit", "TEXT", "", "name of the visit, from the manifest"),
    Field("side", "TEXT", "", "left or right, from the manifest; empty where it was left to the"
          " images"),
    Field("group", "TEXT", "", "group, from the manifest"),
    Field("reader", "TEXT", "", "who placed the landmarks, from the manifest"),
    Field("repeat", "INTEGER", "", "number of the reading by this reader, 1 = first, from the"
          " manifest"),
)  # fmt: skip
"""What names a reading."""

STATUS_FIELDS = (
    Field("status", "TEXT", "", "measured; refused (input cannot be used); crashed (fault or lost"
          " worker); excluded (by the manifest); waiting (not done yet)"),
    Field("reason", "TEXT", "", "why it is refused, crashed or excluded"),
)  # fmt: skip

PLACE_FIELDS = (
    Field("path", "TEXT", "", "images, from the manifest"),
    Field("landmarks", "TEXT", "", "landmark file, from the manifest; empty where landmarks were"
          " proposed"),
)  # fmt: skip
"""Where the files lie. Folders may carry a name, so that these are left out with identifiers."""

RUN_FIELDS = (
    Field("run", "INTEGER", "", "number of the run that made the reading"),
    Field("recorded_at", "TEXT", "UTC, ISO 8601", "when it was stored"),
)

SOURCE_FIELDS = (
    Field("image_sha256", "TEXT", "", "SHA-256 of the sorted SHA-256 of the image files"),
    Field("landmark_sha256", "TEXT", "", "SHA-256 of the landmark file"),
    Field("study_instance_uid", "TEXT", "", "Study Instance UID (0020,000D)"),
    Field("series_instance_uid", "TEXT", "", "Series Instance UID (0020,000E)"),
    Field("sop_instance_uid", "TEXT", "", "SOP Instance UID (0008,0018) of the measured slice"),
    Field("instance_number", "INTEGER", "", "Instance Number (0020,0013) of the measured slice"),
    Field("software_version", "TEXT", "", "version of meniscal_measure that measured"),
    Field("network_sha256", "TEXT", "", "SHA-256 of the checksums of the networks that proposed the"
          " landmarks; empty where a person placed them"),
    Field("measured_at", "TEXT", "UTC, ISO 8601", "when it was measured"),
)  # fmt: skip
"""What a reading was made from and by."""

UIDS = ("study_instance_uid", "series_instance_uid", "sop_instance_uid")

IDENTIFYING = frozenset({"path", "landmarks", *UIDS})
"""Columns that an export without identifiers leaves out."""

READING_FIELDS = (
    Field("side_measured", "TEXT", "", "side the reading was made on: left or right"),
    Field("slice_index", "INTEGER", "", "measured slice, from 0 in geometric order"),
    Field("slice_number", "INTEGER", "", "measured slice, from 1 at the front"),
    Field("slice_convention", "TEXT", "", "rule by which the slice was chosen"),
    Field("axis_convention", "TEXT", "", "direction along which extrusion was measured"),
    Field("threshold_rule", "TEXT", "", "what a value of exactly the threshold counts as"),
    Field("threshold_mm", "REAL", "mm", "threshold of the flag"),
    Field("verified", "INTEGER", "1/0", "whether a person has confirmed the landmarks"),
    Field("verified_by", "TEXT", "", "who confirmed them"),
    Field("signed_at", "TEXT", "UTC, ISO 8601", "when they were signed on the review page"),
    Field("quality", "TEXT", "", "what the reader found wrong with the images, with semicolons"),
    Field("remark", "TEXT", "", "what the reader remarked"),
    Field("proposal_confidence", "REAL", "fraction", "confidence of the program in landmarks that"
          " it proposed; empty where a person placed them"),
    Field("warning_count", "INTEGER", "", "number of warnings about images or landmarks"),
)  # fmt: skip

COMPARTMENT_FIELDS = (
    Field("extrusion_mm", "REAL", "mm", "extrusion, outward positive"),
    Field("u_mm", "REAL", "mm", "standard uncertainty of the extrusion; where a landmark file"
          f" states no standard deviation, {HAND_PLACEMENT_SD_MM:g} mm is assumed"),
    Field("interval95_low_mm", "REAL", "mm", "lower end of its 95 % interval"),
    Field("interval95_high_mm", "REAL", "mm", "upper end of its 95 % interval"),
    Field("probability_above_threshold", "REAL", "fraction", "that the true value is above the"
          " threshold"),
    Field("flag", "INTEGER", "1/0", "whether the value counts as above the threshold"),
    Field("decision", "TEXT", "", "above, not_above or undecided within the uncertainty"),
    Field("grade", "INTEGER", "", "0 below 2 mm, 1 from 2, 2 from 3, 3 from 5 mm"),
    Field("body_width_mm", "REAL", "mm", "width of the meniscal body"),
    Field("overlap_mm", "REAL", "mm", "part of the body on the plateau"),
    Field("relative_extrusion", "REAL", "fraction", "extrusion over body width"),
    Field("coverage", "REAL", "fraction", "overlap over plateau width"),
    Field("extrusion_over_plateau_width", "REAL", "fraction", "extrusion over the width of the"
          " whole plateau"),
)  # fmt: skip
"""Columns that come once for each compartment, with its name before theirs."""

MEASURED_FIELDS = (
    READING_FIELDS
    + SOURCE_FIELDS
    + tuple(
        Field(f"{where}_{field.name}", field.kind, field.unit, f"{where}: {field.meaning}")
        for where in COMPARTMENTS
        for field in COMPARTMENT_FIELDS
    )
)
"""Columns filled from the record of a reading; empty for one that was not made."""

DOUBT_FIELD = Field(
    "identity_doubt", "TEXT", "", "evidence that the images belong to another patient, subject or"
    " visit; empty if there is none",
)  # fmt: skip
"""Comes from the readings together; in an export it follows `EXPORT_FIELDS`."""

EXPORT_FIELDS = MANIFEST_FIELDS + STATUS_FIELDS + PLACE_FIELDS + RUN_FIELDS + MEASURED_FIELDS
"""Every column of a reading in an export, in order; those of the covariates come last."""


@dataclass(frozen=True)
class Provenance:
    """What a reading was made from and by, where its record does not say."""

    image_sha256: str = ""
    landmark_sha256: str = ""
    network_sha256: str = ""


def measured_values(record: Mapping[str, Any], made_from: Provenance) -> dict[str, Any]:
    """Take the values of `MEASURED_FIELDS` from the record of a reading."""
    conventions, side = record["conventions"], record["source"]["side"]
    signature = record["signatures"][-1] if record["signatures"] else {}
    values = {
        "side_measured": {"L": "left", "R": "right"}.get(side, side),
        "slice_index": record["slice"]["index"],
        "slice_number": record["slice"].get("number"),
        "slice_convention": conventions["slice"],
        "axis_convention": conventions["axis"],
        "threshold_rule": conventions["threshold_rule"],
        "threshold_mm": conventions["threshold_mm"],
        "verified": int(record["verified"]),
        "verified_by": record["verified_by"],
        "signed_at": signature.get("signed_at") or None,
        "quality": "; ".join(signature.get("quality", ())) or None,
        "remark": signature.get("remark") or None,
        "proposal_confidence": record.get("proposal_confidence"),
        "warning_count": sum(found["severity"] == "warning" for found in record["warnings"]),
        "image_sha256": made_from.image_sha256 or None,
        "landmark_sha256": made_from.landmark_sha256 or None,
        "network_sha256": made_from.network_sha256 or None,
        **{name: record["source"].get(name) for name in UIDS},
        "instance_number": record["slice"].get("instance_number"),
        "software_version": record.get("software", {}).get("version"),
        "measured_at": record.get("measured_at"),
    }
    for where in COMPARTMENTS:
        found = _compartment_values(record.get(where.value) or {})
        values |= {f"{where}_{name}": value for name, value in found.items()}
    return values


def _compartment_values(record: Mapping[str, Any]) -> dict[str, Any]:
    if not record:
        return {field.name: None for field in COMPARTMENT_FIELDS}
    low, high = record["interval95_mm"]
    known = {**record, "interval95_low_mm": low, "interval95_high_mm": high}
    values = {field.name: known.get(field.name) for field in COMPARTMENT_FIELDS}
    return values | {"flag": int(record["flag"])}

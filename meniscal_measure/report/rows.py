"""A reading as CSV: one row for each compartment on each measured slice."""

from __future__ import annotations

import csv
import io
import re

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.files import safe_cell
from meniscal_measure.findings import Severity
from meniscal_measure.records.codec import Json, reading_to_dict
from meniscal_measure.report.words import assumed_sd_mm

Cell = str | float | int | bool | None

COLUMNS = (
    "patient_id", "study_date", "study_instance_uid", "series_instance_uid", "sop_instance_uid",
    "side", "compartment", "slice_index", "measured_slice", "position_mm",
    "extrusion_mm", "u_mm", "interval95_low_mm", "interval95_high_mm",
    "probability_above_threshold", "flag", "decision", "grade",
    "body_width_mm", "body_width_u_mm", "overlap_mm", "overlap_u_mm",
    "relative_extrusion", "relative_extrusion_u", "coverage", "coverage_u", "coverage_width",
    "extrusion_over_plateau_width", "extrusion_over_plateau_width_u",
    "axis_convention", "slice_convention", "threshold_rule", "threshold_mm",
    "verified", "measured_at", "software", "software_version", "proposal_confidence",
    "slice_number", "instance_number", "frame_number", "assumed_sd_mm", "warnings",
)  # fmt: skip
"""The columns in their order. New ones are added at the end only."""


def reading_rows(reading: Reading) -> list[dict[str, Cell]]:
    """One row for each compartment on each slice; a compartment not measured has no values.

    The measured slice comes first and has `measured_slice` true. Numbers are not rounded.

    Examples
    --------
    >>> [(row["compartment"], row["extrusion_mm"]) for row in reading_rows(reading)[:2]]
    [('medial', 4.5), ('lateral', 1.0)]
    """
    record = reading_to_dict(reading)
    warned = [found.code.word for found in reading.warnings if found.severity is Severity.WARNING]
    shared = {
        **_shared(record),
        "assumed_sd_mm": assumed_sd_mm(reading),
        "warnings": " ".join(dict.fromkeys(warned)),
    }
    return [
        {**shared, **_row(part, record if measured else part, name), "measured_slice": measured}
        for measured, part in ((True, record["slice"]), *((False, p) for p in record["neighbours"]))
        for name in reading.named_compartments
    ]


def readings_csv(readings: list[Reading]) -> str:
    """Write readings as CSV (RFC 4180), the names of `COLUMNS` in the first line.

    Examples
    --------
    >>> readings_csv([])[:24]
    'patient_id,study_date,st'
    """
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, COLUMNS, restval="")
    writer.writeheader()
    for reading in readings:
        writer.writerows(
            {key: _text(cell) for key, cell in row.items()} for row in reading_rows(reading)
        )
    return stream.getvalue()


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    return str(cell).lower() if isinstance(cell, bool) else str(safe_cell(cell))


def _shared(record: Json) -> dict[str, Cell]:
    source, conventions, software = record["source"], record["conventions"], record["software"]
    date = re.sub(r"^(\d{4})(\d{2})(\d{2})$", r"\1-\2-\3", source["study_date"])  # as ISO 8601
    return {
        **_columns_of(source),
        **_columns_of(conventions),
        **_columns_of(record),
        "study_date": date,
        "side": source["side"] or "unknown",
        "axis_convention": conventions["axis"],
        "slice_convention": conventions["slice"],
        "software": software["name"],
        "software_version": software["version"],
    }


def _row(place: Json, compartments: Json, name: Compartment) -> dict[str, Cell]:
    measured = compartments[name.value] or {"interval95_mm": (None, None)}
    low_mm, high_mm = measured["interval95_mm"]
    return {
        **_columns_of(place),
        **_columns_of(measured),
        "compartment": name.value,
        "slice_index": place["index"],
        "slice_number": place["number"],
        "interval95_low_mm": low_mm,
        "interval95_high_mm": high_mm,
    }


def _columns_of(part: Json) -> dict[str, Cell]:
    """Keys of a part of the record that are columns too."""
    return {key: part[key] for key in COLUMNS if key in part}

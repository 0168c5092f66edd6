"""A reading as CSV: one row for each compartment on each measured slice."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import (
    CompartmentReading,
    Quantity,
    Reading,
    SliceReading,
)
from meniscal_measure.files import safe_cell
from meniscal_measure.report.words import assumed_sd_mm

Cell = str | float | int | bool | None

COLUMNS = (
    "patient_id",
    "study_date",
    "study_instance_uid",
    "series_instance_uid",
    "sop_instance_uid",
    "side",
    "compartment",
    "slice_index",
    "measured_slice",
    "position_mm",
    "extrusion_mm",
    "u_mm",
    "interval95_low_mm",
    "interval95_high_mm",
    "probability_above_threshold",
    "flag",
    "decision",
    "grade",
    "body_width_mm",
    "body_width_u_mm",
    "overlap_mm",
    "overlap_u_mm",
    "relative_extrusion",
    "relative_extrusion_u",
    "coverage",
    "coverage_u",
    "coverage_width",
    "extrusion_over_plateau_width",
    "extrusion_over_plateau_width_u",
    "axis_convention",
    "slice_convention",
    "threshold_rule",
    "threshold_mm",
    "verified",
    "measured_at",
    "software",
    "software_version",
    "proposal_confidence",
    "slice_number",
    "instance_number",
    "frame_number",
    "assumed_sd_mm",
)
"""The columns in their order. New ones are added at the end only."""


def reading_rows(reading: Reading) -> list[dict[str, Cell]]:
    """One row for each compartment on each slice; a compartment not measured has empty values.

    The measured slice comes first and has `measured_slice` true. Numbers are not rounded.
    """
    shared = _shared(reading)
    return [
        {**shared, **_row(reading, part, name), "measured_slice": part is reading.measured}
        for part in (reading.measured, *reading.neighbours)
        for name in reading.named_compartments
    ]


def readings_csv(readings: list[Reading]) -> str:
    """Write readings as CSV (RFC 4180), the names of `COLUMNS` in the first line."""
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


def _shared(reading: Reading) -> dict[str, Cell]:
    source = reading.source
    return {
        "patient_id": source.patient_id,
        "study_date": _iso_date(source.study_date),
        "study_instance_uid": source.study_instance_uid,
        "series_instance_uid": source.series_instance_uid,
        "side": source.side.word if source.side else "unknown",
        "axis_convention": reading.conventions.axis.value,
        "slice_convention": reading.conventions.slice.value,
        "threshold_rule": reading.conventions.threshold_rule.value,
        "threshold_mm": reading.conventions.threshold_mm,
        "verified": reading.verified,
        "measured_at": reading.measured_at,
        "software": reading.software,
        "software_version": reading.software_version,
        "proposal_confidence": reading.proposal_confidence,
        "assumed_sd_mm": assumed_sd_mm(reading),
    }


def _iso_date(dicom_date: str) -> str:
    """DICOM DA `YYYYMMDD` as ISO 8601; anything else as it is."""
    if len(dicom_date) == 8 and dicom_date.isdigit():
        return f"{dicom_date[:4]}-{dicom_date[4:6]}-{dicom_date[6:]}"
    return dicom_date


def _row(reading: Reading, part: SliceReading, name: Compartment) -> dict[str, Cell]:
    measured = part.compartments.get(name)
    numbered = reading.slice_name(part.slice_index)
    return {
        "sop_instance_uid": part.sop_instance_uid,
        "compartment": name.value,
        "slice_index": part.slice_index,
        "slice_number": None if numbered is None else numbered.number,
        "instance_number": part.instance_number,
        "frame_number": part.frame_number,
        "position_mm": part.position_mm,
        **({} if measured is None else _values(measured)),
    }


def _values(measured: CompartmentReading) -> Mapping[str, Cell]:
    extrusion = measured.extrusion
    return {
        "extrusion_mm": extrusion.extrusion_mm,
        "u_mm": extrusion.u_mm,
        "interval95_low_mm": extrusion.interval95_mm[0],
        "interval95_high_mm": extrusion.interval95_mm[1],
        "probability_above_threshold": extrusion.probability_above_threshold,
        "flag": extrusion.flag,
        "decision": extrusion.decision.value,
        "grade": extrusion.grade,
        "coverage_width": measured.coverage_width,
        **_quantity("body_width", "_mm", measured.body_width_mm),
        **_quantity("overlap", "_mm", measured.overlap_mm),
        **_quantity("relative_extrusion", "", measured.relative_extrusion),
        **_quantity("coverage", "", measured.coverage),
        **_quantity("extrusion_over_plateau_width", "", measured.extrusion_over_plateau_width),
    }


def _quantity(name: str, unit: str, quantity: Quantity | None) -> dict[str, Cell]:
    if quantity is None:
        return {}
    return {f"{name}{unit}": quantity.value, f"{name}_u{unit}": quantity.u}

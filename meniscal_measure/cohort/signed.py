"""Landmarks that readers signed on the review page, as files for the manifest of the study."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import Compartment
from meniscal_measure.files import written_whole

Record = Mapping[str, Any]


def write_signed_landmarks(record: Record, folder: Path, *, reader: str, knee: str) -> Path:
    """Write the landmarks of a signed reading where `readers.plan_readings` expects them.

    Parameters
    ----------
    record
        The signed reading, as `meniscal_measure.report.record.reading_to_dict` lays it out.
    folder
        The study's folder of landmarks.
    reader, knee
        Who signed, and the knee as the work list names it.

    Returns
    -------
    Path
        The file, `folder / reader / knee.json`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    document = {
        "slice_convention": record["slice"]["convention"],
        "slice_reason": record["slice"]["reason"],
        "slices": [_slice(record["slice"], record)]
        + [_slice(part, part) for part in record["neighbours"]],
    }
    path = folder / reader / f"{knee}.json"
    with written_whole(path) as stream:
        stream.write((json.dumps(document, indent=1) + "\n").encode("utf-8"))
    return path


def _slice(place: Record, compartments: Record) -> dict[str, Any]:
    """Lay one slice out as a landmark file has it; it keeps the largest standard deviation."""
    points = dict(_points(compartments))
    return {
        "slice": place["sop_instance_uid"],
        "sd_mm": max(point["sd_mm"] for point in points.values()),
        **{name: point["patient_mm"] for name, point in points.items()},
    }


def _points(compartments: Record) -> Iterator[tuple[str, Record]]:
    for compartment in Compartment:
        for landmark, point in (
            (compartments.get(compartment.value) or {}).get("landmarks", {}).items()
        ):
            yield f"{compartment.value}_{landmark}", point

"""Stands in for the measuring of a knee: does what the "images", a small JSON file, tell it to.

Worker processes import it by name, which they cannot do with a test file.
"""

from __future__ import annotations

import json
import os
import signal
import time
import zlib
from pathlib import Path
from typing import Any

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.task import Settings
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.records.layout import SCHEMA_ID, SCHEMA_VERSION


def measure(entry: Entry, images: Path, landmarks: Path | None, settings: Settings) -> Any:
    """Make a record of the extrusion written in the file, unless it says otherwise."""
    orders = json.loads(images.read_text("utf-8"))
    _note(orders.get("log"), entry)
    if "prints" in orders:
        os.write(1, orders["prints"].encode())  # as native code does, past sys.stdout
    if "pid" in orders:
        Path(orders["pid"]).write_text(str(os.getpid()), "utf-8")
    time.sleep(orders.get("seconds", 0))
    while "until" in orders and not Path(orders["until"]).exists():
        time.sleep(0.01)
    if "refuse" in orders:
        raise UnreadableFileError(orders["refuse"])
    if "fault" in orders:
        raise RuntimeError(orders["fault"])
    once = Path(orders["die_once"]) if "die_once" in orders else None
    if "die" in orders or (once and not once.exists()):
        if once:
            once.touch()
        os.kill(os.getppid() if "whole_worker" in orders else os.getpid(), signal.SIGKILL)
        time.sleep(3600)  # until the end of the parent is heard of
    found = record(orders["extrusion_mm"], settings)
    series = zlib.crc32(f"{entry.subject} {entry.visit}".encode())
    found["source"]["series_instance_uid"] = f"1.2.3.{series}"
    return found | orders.get("record", {})


def _note(log: str | None, entry: Entry) -> None:
    """Write down that this entry is being measured, in one write."""
    if log:
        with Path(log).open("a", encoding="utf-8") as stream:
            stream.write(f"{entry.key}\n")


def record(extrusion_mm: float, settings: Settings) -> Any:
    """Lay out a reading; what the cohort does not look at is nil."""
    conventions = settings.conventions
    compartment = {
        "extrusion_mm": extrusion_mm,
        "u_mm": 0.25,
        "budget": [],
        "interval95_mm": [extrusion_mm - 0.49, extrusion_mm + 0.49],
        "probability_above_threshold": float(extrusion_mm > conventions.threshold_mm),
        "flag": extrusion_mm > conventions.threshold_mm,
        "decision": "undecided",
        "grade": 0,
        "body_width_mm": 10.0,
        "body_width_u_mm": 0.3,
        "overlap_mm": 10.0 - extrusion_mm,
        "overlap_u_mm": 0.3,
        "relative_extrusion": extrusion_mm / 10,
        "relative_extrusion_u": 0.03,
        "coverage": 0.3,
        "coverage_u": 0.03,
        "coverage_width": "half_plateau",
        "extrusion_over_plateau_width": extrusion_mm / 75,
        "extrusion_over_plateau_width_u": 0.01,
        "axis": [1.0, 0.0, 0.0],
        "landmarks": {},
    }
    return {
        "schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION},
        "software": {"name": "meniscal_measure", "version": "0"},
        "notice": "",
        "measured_at": "2026-03-01T10:00:00.000+00:00",
        "source": {
            "study_instance_uid": "1.2",
            "series_instance_uid": "1.2.3",
            "sop_instance_uid": "1.2.3.4",
            "series_description": "",
            "series_reason": "",
            "patient_id": "",
            "patient_name": "",
            "study_date": "",
            "pixel_spacing_mm": [0.5, 0.5],
            "slice_spacing_mm": 3.0,
            "slice_count": 20,
            "from_the_front": True,
            "side": "right",
            "side_source": "",
        },
        "conventions": {
            "axis": conventions.axis.value,
            "slice": "chosen_by_reader",
            "threshold_rule": conventions.threshold_rule.value,
            "threshold_mm": conventions.threshold_mm,
        },
        "slice": {
            "index": 12,
            "number": 13,
            "instance_number": 13,
            "frame_number": None,
            "sop_instance_uid": "1.2.3.4",
            "position_mm": 0.0,
            "centre_mm": [0.0, 0.0, 0.0],
            "plateau_width_mm": 75.0,
            "plateau_width_u_mm": 0.5,
            "reason": "",
        },
        "verified": False,
        "verified_by": None,
        "signatures": [],
        "proposal_confidence": None,
        "warnings": [],
        "medial": compartment,
        "lateral": None,
        "neighbours": [],
    }

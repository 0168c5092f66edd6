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
    """Lay out a reading, as far as the cohort looks at it."""
    conventions = settings.conventions
    compartment = {
        "extrusion_mm": extrusion_mm,
        "u_mm": 0.25,
        "interval95_mm": [extrusion_mm - 0.49, extrusion_mm + 0.49],
        "probability_above_threshold": float(extrusion_mm > conventions.threshold_mm),
        "flag": extrusion_mm > conventions.threshold_mm,
        "decision": "undecided",
        "grade": 0,
        "body_width_mm": 10.0,
        "overlap_mm": 10.0 - extrusion_mm,
        "relative_extrusion": extrusion_mm / 10,
        "coverage": 0.3,
        "extrusion_over_plateau_width": extrusion_mm / 75,
    }
    return {
        "schema": {"id": SCHEMA_ID, "version": SCHEMA_VERSION},
        "software": {"name": "meniscal_measure", "version": "0"},
        "measured_at": "2026-03-01T10:00:00.000+00:00",
        "source": {
            "side": "right",
            "study_instance_uid": "1.2",
            "series_instance_uid": "1.2.3",
            "sop_instance_uid": "1.2.3.4",
        },
        "conventions": {
            "axis": conventions.axis.value,
            "slice": "chosen_by_reader",
            "threshold_rule": conventions.threshold_rule.value,
            "threshold_mm": conventions.threshold_mm,
        },
        "slice": {"index": 12, "sop_instance_uid": "1.2.3.4", "instance_number": 13},
        "verified": False,
        "verified_by": None,
        "signatures": [],
        "proposal_confidence": None,
        "warnings": [],
        "medial": compartment,
        "lateral": None,
        "neighbours": [],
    }

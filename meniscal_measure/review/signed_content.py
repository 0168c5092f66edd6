"""What a signing says: the reading, what it started from, and what the reader changed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from meniscal_measure import __version__
from meniscal_measure.caliper.reading import Conventions, Reading
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.review.knee import OpenKnee
from meniscal_measure.review.measuring import Measured, measure_proposal
from meniscal_measure.review.present import Json, extrusions
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.state import State
from meniscal_measure.series.choose import describe

REJECTION_REASONS = (
    "Images cannot be read",
    "Image quality too poor",
    "No suitable coronal series",
    "Side cannot be determined",
    "Previous surgery or deformity",
    "Other",
)


@dataclass(frozen=True)
class Terms:
    """Under which terms the readings of a store are made."""

    conventions: Conventions
    blinding: Blinding | None = None
    hides_mm: bool = False
    """Whether readers see millimetres only after they have signed."""


def why_not_signed(state: State, measured: Measured) -> str:
    """Say what is missing for a signature; empty when nothing is."""
    if measured.reading is None:
        return measured.message
    if measured.reading.source.side is None:
        return "Say first whether this is a left or a right knee."
    if state.carried:
        names = ", ".join(name.replace("_", " ") for name in state.carried)
        return f"Landmarks were carried over from another slice: move or accept {names}."
    return ""


def measured_content(
    knee: OpenKnee, state: State, reading: Reading, terms: Terms, before: State
) -> Json:
    """Content of a signing of a measured knee, with its identity and proposal.

    `state` is what is signed, `reading` the same, measured and marked as verified, and `before` the
    state that was signed before, else the one the reader began with.
    """
    proposed = measure_proposal(knee, state, terms.conventions)
    return {
        **_common(knee, state.as_dict(), terms),
        "reading": reading_to_dict(reading),
        "proposal": None if proposed is None else reading_to_dict(proposed),
        "flags": {
            name: found.extrusion.flag for name, found in reading.measured.compartments.items()
        },
        "extrusion_mm": {"signed": extrusions(reading), "proposed": extrusions(proposed)},
        "changes": list(changes(before, state)),
        "rejection": None,
    }


def rejected_content(
    knee: OpenKnee | None, state: Json | None, terms: Terms, rejection: str
) -> Json:
    """Content of a signing of a knee that is not measured, with the reason.

    `knee` and `state` are what the reader saw, and None for a knee that cannot be opened.
    """
    return {
        **_common(knee, state, terms),
        "reading": None,
        "proposal": None,
        "flags": {},
        "extrusion_mm": {},
        "changes": [],
        "rejection": rejection,
    }


def _common(knee: OpenKnee | None, state: Json | None, terms: Terms) -> Json:
    series = None if knee is None else {"key": knee.images, "words": str(describe(knee.stack))}
    return {
        "series": series,
        "software": {"name": "meniscal_measure", "version": __version__},
        "conventions": terms.conventions.asked(),
        "blinding": None if terms.blinding is None else asdict(terms.blinding),
        "state": state,
        "quality": [] if state is None else state["quality"],
        "remark": "" if state is None else state["remark"],
    }


def changes(before: State, after: State) -> Iterator[Json]:
    """List what differs between two states, landmark by landmark."""
    for what, old, new in (
        ("slice", before.slice_index, after.slice_index),
        ("side", before.side, after.side),
        ("side_reason", before.side_reason, after.side_reason),
        ("quality", list(before.quality), list(after.quality)),
        ("remark", before.remark, after.remark),
    ):
        if old != new:
            yield {"what": what, "from": old, "to": new}
    for index in sorted({*before.landmarks, *after.landmarks}):
        marks = [state.landmarks.get(index, {}) for state in (before, after)]
        for name in sorted({*marks[0], *marks[1]}):
            start, end = (list(on[name].pixel) if name in on else None for on in marks)
            if start != end:
                moved_px = math.dist(start, end) if start and end else None
                where = {"slice": index, "name": name, "from": start, "to": end}
                yield {"what": "landmark", **where, "moved_px": moved_px}

"""Signing: what the reader saw is what is stored, once for each state that was confirmed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from meniscal_measure.errors import StaleStateError, UsageError
from meniscal_measure.records.journal import Signing, Verdict
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.records.signed_store import TaskKey
from meniscal_measure.review.desk import Desk, OpenTask
from meniscal_measure.review.measuring import measure_state
from meniscal_measure.review.present import extrusions
from meniscal_measure.review.signed_content import (
    measured_content,
    rejected_content,
    why_not_signed,
)
from meniscal_measure.review.state import State, well_formed

NOT_AS_SHOWN = (
    "What was on the screen is not what is saved, so nothing was signed. The saved landmarks are"
    " shown and measured now: look at them and sign."
)


@dataclass(frozen=True)
class OnScreen:
    """What the reader had on the screen when signing."""

    revision: int
    state: State
    extrusion_mm: Mapping[str, float] | None
    """Extrusion of each compartment on the measured slice, as shown; None where millimetres are
    hidden from the reader."""
    reading_time_s: float = 0.0
    """How long the reader has had the knee in view."""


def sign(desk: Desk, place: OpenTask, seen: OnScreen) -> Signing | str:
    """Sign the working state, or say in words what is missing.

    Signing the same state again adds no record: the one that stands is returned.

    Raises
    ------
    StaleStateError
        If the working state has moved on, or is not what the reader saw.
    OutputError
        If it cannot be stored; nothing is signed then.
    """
    place = desk.complete(place)  # the record holds the proposal, seen or not
    state = desk.state(place, json.loads(desk.begin(place).state))
    if state != seen.state:
        raise StaleStateError(NOT_AS_SHOWN)
    place = desk.as_proposed(place, state)
    # While blinded the slice is the reader's own choice, even where the proposal agrees.
    own = replace(place.knee, proposal=place.shown.proposal)
    measured = measure_state(own, state, desk.terms.conventions)
    refusal = why_not_signed(state, measured)
    if refusal or measured.reading is None:
        return refusal
    if seen.extrusion_mm != (None if desk.terms.hides_mm else extrusions(measured.reading)):
        raise StaleStateError(NOT_AS_SHOWN)
    quality = tuple(code.value for code in state.quality)
    reading = signed_by(measured.reading, place.key.reader, quality, state.remark)
    content = measured_content(place.knee, state, reading, desk.terms, _before(desk, place))
    content["reading_time_s"] = seen.reading_time_s
    return _append_once(desk, place, seen.revision, Verdict.MEASURED, content)


def reject(
    desk: Desk, place: OpenTask, rejection: str, revision: int, reading_time_s: float = 0.0
) -> Signing:
    """Sign that a knee is not measured, with the reason and the working state.

    Raises
    ------
    StaleStateError
        If the working state has moved on since.
    """
    state = json.loads(desk.begin(place).state)
    content = rejected_content(place.knee, state, desk.terms, _reason(rejection))
    content["reading_time_s"] = reading_time_s
    return _append_once(desk, place, revision, Verdict.REJECTED, content)


def reject_unopened(desk: Desk, key: TaskKey, rejection: str) -> Signing:
    """Sign that a knee that cannot be opened is not measured, with the reason."""
    content = rejected_content(None, None, desk.terms, _reason(rejection))
    with desk.store.writing() as connection:
        return desk.journal.append(connection, key, Verdict.REJECTED, content)


def withdraw(desk: Desk, key: TaskKey) -> Signing:
    """Withdraw a rejection: the knee counts as not signed again, and the record says so.

    Raises
    ------
    StaleStateError
        If the newest signing of the knee is no rejection.
    """
    with desk.store.writing() as connection:
        latest = desk.journal.latest_within(connection, key)
        if latest is None or latest.verdict is not Verdict.REJECTED:
            raise StaleStateError("This knee is not rejected any more.")
        content = {**latest.record, "withdraws": latest.number}
        return desk.journal.append(connection, key, Verdict.WITHDRAWN, content)


def _append_once(
    desk: Desk, place: OpenTask, revision: int, verdict: Verdict, content: dict[str, Any]
) -> Signing:
    """Append a signing unless the one that stands says the same of the same state."""
    with desk.store.writing() as connection:
        latest = desk.journal.latest_within(connection, place.key)
        if latest is not None and _says_the_same(latest, verdict, content):
            return latest
        desk.drafts.signed(connection, place.draft, revision)
        signing = desk.journal.append(connection, place.key, verdict, content)
    if desk.sender is not None:
        desk.sender.wake()
    return signing


def _says_the_same(signing: Signing, verdict: Verdict, content: Mapping[str, Any]) -> bool:
    record = signing.record
    parts = ("series", "state", "rejection", "conventions")
    same = all(record[part] == json.loads(json.dumps(content[part])) for part in parts)
    return same and signing.verdict is verdict


def _before(desk: Desk, place: OpenTask) -> State:
    """State that was signed before on these images, else the one the reader began with."""
    earlier = desk.journal.latest(place.key)
    if earlier is not None and earlier.verdict is Verdict.MEASURED:
        record = earlier.record
        if record["series"]["key"] == place.knee.images:
            return desk.state(place, record["state"])
    return desk.state(place, json.loads(desk.drafts.first(place.draft)))


def _reason(rejection: str) -> str:
    if not rejection.strip():
        raise UsageError("Give the reason for which the knee is rejected.")
    return well_formed(rejection.strip())

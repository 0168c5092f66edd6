"""The safety wording, in one place, so that every output says the same."""

from __future__ import annotations

NOTICE = (
    "A measurement aid, not a diagnosis. Values carry the stated uncertainty and depend on the"
    " landmarks and conventions named here. The decision rests with the treating clinician,"
    " local protocol and licensed practice."
)
"""Sentence carried by every figure, table, report and record."""

UNVERIFIED_PROPOSED = "PROPOSED, NOT VERIFIED: a person must confirm the landmarks before use"
"""Banner while landmarks proposed by the program have not been confirmed."""

UNVERIFIED_PLACED = "NOT VERIFIED: landmarks await confirmation by a responsible reader"
"""Banner while landmarks placed by a reader have not been confirmed."""

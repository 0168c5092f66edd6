"""What an error may tell a reader who must not know whose knee it is."""

from __future__ import annotations

from meniscal_measure.errors import (
    EdgeNotFoundError,
    LandmarkError,
    MeniscalMeasureError,
    OutputError,
    SideError,
    StaleStateError,
    UnreadableFileError,
)

SAFE_ERRORS = (EdgeNotFoundError, LandmarkError, StaleStateError)
"""Errors whose messages speak of landmarks on the slice and nothing else."""

CONTACT = "Tell whoever runs the study; the window of the program says more."

REPLACEMENTS: dict[type[MeniscalMeasureError], str] = {
    UnreadableFileError: f"An image of this knee is missing or cannot be read. {CONTACT}",
    SideError: f"The side of this knee contradicts what its images say. {CONTACT}",
    OutputError: f"It could not be saved. What was signed before is safe. {CONTACT}",
}


def safe_words(error: MeniscalMeasureError, *, blinded: bool) -> str:
    """Put an error into words; while blinded, without paths, names and descriptions."""
    if not blinded or isinstance(error, SAFE_ERRORS):
        return str(error)
    for kind, words in REPLACEMENTS.items():
        if isinstance(error, kind):
            return words
    return f"This knee cannot be used as it is. {CONTACT}"

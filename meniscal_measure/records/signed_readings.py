"""What readers signed on the review page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.journal import Journal, Signing
from meniscal_measure.records.signed_store import SignedStore


@dataclass(frozen=True)
class SignedReading:
    """What a reader signed for one knee of a work list.

    `knee` is the name of the knee there, `round` counts the times the page showed it, from 1.
    """

    reader: str
    knee: str
    round: int
    signed_at: str
    """UTC, ISO 8601."""
    reading: Reading | None
    """None where the reader rejected the knee, for the reason in `rejection`."""
    rejection: str = ""
    series: str = ""
    """Which series was in view; empty where the knee could not be opened."""
    quality: tuple[str, ...] = ()
    remark: str = ""


def signed_readings(path: Path) -> Iterator[SignedReading]:
    """List what is signed in a store of the review page: the newest signing of each reading.

    Raises
    ------
    UsageError
        If there is no such file or it is something else.
    InputError
        If a signing was changed after it was signed, or is missing.
    """
    if not path.exists():
        raise UsageError(
            "There is no file {file:private}. Name the store of the review page.", file=str(path)
        )
    journal = Journal(SignedStore(path, {}))
    journal.check()
    yield from map(_signed_reading, journal.standing().values())


def _signed_reading(signing: Signing) -> SignedReading:
    try:
        content = signing.record
        return SignedReading(
            signing.key.reader,
            signing.key.knee,
            signing.key.round,
            signing.signed_at,
            None if content["reading"] is None else reading_from_dict(content["reading"]),
            content["rejection"] or "",
            (content["series"] or {}).get("key", ""),
            tuple(content.get("quality", ())),
            content.get("remark", ""),
        )
    except InputError as error:
        raise error.within("Signing {number}", number=signing.number) from error
    except (LookupError, TypeError, ValueError, AttributeError, RecursionError) as error:
        raise InputError(
            "Signing {number} is damaged ({reason:private}). Take the store back from a backup.",
            number=signing.number,
            reason=str(error),
        ) from error

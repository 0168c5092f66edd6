"""Signing the landmarks of a reading, and checking that they were not moved since."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, replace
from datetime import UTC, datetime

from meniscal_measure.caliper.reading import Conventions, Reading, Signature, SliceReading
from meniscal_measure.errors import InputError, UsageError

MAX_READER_LENGTH = 64

USUAL_THRESHOLD = (Conventions().threshold_mm, Conventions().threshold_rule)


def check_reader(name: str) -> None:
    """Refuse what cannot be the name of a reader.

    Raises
    ------
    UsageError
        If it is empty, too long, or has blanks around it or characters that cannot be printed.

    Examples
    --------
    >>> check_reader("Reader A")
    >>> check_reader("")
    Traceback (most recent call last):
    meniscal_measure.errors.UsageError: Give the name or pseudonym under which you read.
    """
    if not (name.strip() == name and name.isprintable() and name):
        raise UsageError("Give the name or pseudonym under which you read.")
    if len(name) > MAX_READER_LENGTH:
        raise UsageError(f"The name must not be longer than {MAX_READER_LENGTH} characters.")


def signed_by(
    reading: Reading, reader: str, quality: Iterable[str] = (), remark: str = ""
) -> Reading:
    """Put a reader's signature under a reading, after those it has.

    `quality` lists what the reader found wrong with the images.

    Raises
    ------
    UsageError
        If the name cannot be one, or the side of the knee is unknown: nobody can confirm what
        is medial then.

    Examples
    --------
    >>> signed_by(reading, "Reader A").verified_by
    'Reader A'
    """
    check_reader(reader)
    if reading.source.side is None:
        raise UsageError(
            "The side of the knee is not known, so that the reading cannot be confirmed. Measure"
            " again and give the side (--side)."
        )
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    signature = Signature(reader, now, reading.conventions.axis, tuple(quality), remark)
    return with_signature(reading, signature)


def with_signature(reading: Reading, signature: Signature) -> Reading:
    """Put a signature given elsewhere under a reading, sealed over what was measured here.

    Examples
    --------
    >>> signature = Signature("Reader A", "", reading.conventions.axis, (), "")
    >>> len(with_signature(reading, signature).signatures[-1].seal)
    64
    """
    sealed = replace(signature, seal=_seal(reading, signature))
    return replace(reading, signatures=(*reading.signatures, sealed))


def check_seals(reading: Reading) -> None:
    """Refuse a reading of which something was changed after it was signed.

    A reading without identifiers has no seals; its images cannot be found again either.

    Raises
    ------
    InputError
        With the name of the reader whose signature no longer holds.

    Examples
    --------
    >>> check_seals(signed_by(reading, "Reader A"))
    """
    for signature in reading.signatures:
        if signature.reader and signature.seal != _seal(reading, signature):
            raise InputError(
                "The landmarks, the side, the axis or the threshold of this reading were changed"
                " after {reader:private} signed it. Take it back from a backup, or measure again"
                " and have it confirmed.",
                reader=signature.reader,
            )


def _seal(reading: Reading, signature: Signature) -> str:
    """SHA-256 over the signature and the landmarks, side, axis, slice and threshold it confirms."""
    signed: dict[str, object] = {
        "signature": asdict(replace(signature, seal="")),
        "side": reading.source.side,
        "slice_convention": reading.conventions.slice,
        "slices": [_landmarks(part) for part in (reading.measured, *reading.neighbours)],
    }
    threshold = (reading.conventions.threshold_mm, reading.conventions.threshold_rule)
    if threshold != USUAL_THRESHOLD:  # not written otherwise, as in seals of earlier readings
        signed["threshold"] = threshold
    return hashlib.sha256(json.dumps(signed, sort_keys=True).encode()).hexdigest()


def _landmarks(part: SliceReading) -> dict[str, object]:
    points = {
        f"{compartment}_{name}": (placed.point_mm, placed.sd_mm, placed.across_mm, placed.origin)
        for compartment, found in part.landmarks.items()
        for name, placed in found.items()
    }
    return {"image": part.sop_instance_uid, "index": part.slice_index, "points": points}

"""Pseudonyms of patients and UIDs, the same throughout a cohort."""

from __future__ import annotations

import hashlib
import hmac
import uuid
from dataclasses import dataclass

from pydicom.uid import UID

from meniscal_measure.errors import UsageError

MIN_KEY_BYTES = 16
"""A key shorter than 128 bits can be found by brute force."""
MOST_SHIFT_DAYS = 3650
"""All dates of a patient move into the past by the same number of days, from 1 to ten years."""


@dataclass(frozen=True)
class Pseudonyms:
    """Consistent pseudonyms for identifiers, made with a secret key (HMAC, RFC 2104).

    The same key gives the same pseudonym for the same identifier, in every run and every file of a
    cohort; without the key neither direction can be computed.

    Raises
    ------
    UsageError
        If the key is too short.
    """

    key: bytes

    def __post_init__(self) -> None:
        if len(self.key) < MIN_KEY_BYTES:
            raise UsageError(
                f"The key has {len(self.key)} bytes; it must have {MIN_KEY_BYTES} or more. Make one"
                " with a password manager or `openssl rand -hex 32`, and keep it secret."
            )

    def _digest(self, kind: str, identifier: str) -> bytes:
        return hmac.digest(self.key, f"{kind}/{identifier}".encode(), hashlib.sha256)

    def uid(self, original: str) -> UID:
        """Pseudonym for a UID, under the root 2.25 (DICOM PS3.5 B.2).

        Examples
        --------
        >>> Pseudonyms(bytes(16)).uid("1.2.3").is_valid
        True
        """
        digest = self._digest("uid", original.strip())
        return UID(f"2.25.{uuid.UUID(bytes=digest[:16], version=4).int}")

    def patient(self, patient_id: str, issuer: str = "") -> str:
        """Pseudonym for a Patient ID.

        Examples
        --------
        >>> one, other = Pseudonyms(bytes(16)), Pseudonyms(bytes(15) + b"1")
        >>> one.patient("4711") == one.patient("4711"), one.patient("4711") == other.patient("4711")
        (True, False)
        """
        return "P" + self._digest("patient", f"{issuer}/{patient_id}").hex()[:12].upper()

    def shift_days(self, patient_id: str, issuer: str = "") -> int:
        """How many days all dates of a patient move into the past.

        Examples
        --------
        >>> 1 <= Pseudonyms(bytes(16)).shift_days("4711") <= MOST_SHIFT_DAYS
        True
        """
        digest = self._digest("days", f"{issuer}/{patient_id}")
        return 1 + int.from_bytes(digest[:8], "big") % MOST_SHIFT_DAYS

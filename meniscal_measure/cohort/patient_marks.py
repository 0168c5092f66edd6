"""Whether the series of a subject are those of one patient, although no store holds a patient.

For each reading the store keeps a mark of Patient ID, name and birth date: a hash with a key of
that store, so short that many persons share each. Marks that differ show different patients; a mark
identifies nobody.
"""

from __future__ import annotations

import hashlib
import hmac
from typing import NamedTuple

MARK_DIGITS = 3
"""Hexadecimal digits of a mark: one of 4096, so that each is shared by several dates of birth.

Two patients differ in most of three attributes; one difference passes by chance once in 4096."""


class PatientMarks(NamedTuple):
    """Marks of the attributes that distinguish patients; empty where a header has none."""

    patient_id: str = ""
    patient_name: str = ""
    birth_date: str = ""


UNMARKED = PatientMarks()

ATTRIBUTES = PatientMarks("Patient ID", "Patient's Name", "Patient's Birth Date")
"""What the marks are of, in words."""


def patient_marks(key: bytes, patient: tuple[str, str, str]) -> PatientMarks:
    """Mark a patient, as `series.model.Identity.patient` names them.

    Examples
    --------
    >>> one = patient_marks(b"key of a store", ("4711", "doe^jo", ""))
    >>> other = patient_marks(b"key of a store", ("4711", "roe^al", ""))
    >>> one.patient_id == other.patient_id, one.patient_name == other.patient_name, one.birth_date
    (True, False, '')
    """
    return PatientMarks(
        *(
            hmac.digest(
                key, f"{what}/{text}".encode("utf-8", "surrogatepass"), hashlib.sha256
            ).hex()[:MARK_DIGITS]
            if text
            else ""
            for what, text in zip(ATTRIBUTES, patient, strict=True)
        )
    )

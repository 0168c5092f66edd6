"""Whether two examinations are of one knee, and in the order of time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import InputError, SideError


@dataclass(frozen=True)
class KneeIdentity:
    """Whose knee was examined and when, as DICOM says it; empty where it does not."""

    side: Side | None
    patient_id: str
    study_instance_uid: str
    study_date: str
    """YYYYMMDD."""
    patient_name: str = ""
    """Names are written in many ways: another one is refused where a Patient ID is missing, and
    remarked on elsewhere."""
    birth_date: str = ""
    """YYYYMMDD; compared where both state it."""


def check_pair(baseline: KneeIdentity, follow_up: KneeIdentity) -> tuple[str, ...]:
    """Refuse what is not two examinations of one knee, the earlier one first.

    Returns
    -------
    tuple of str
        What could not be checked, or looks odd.

    Raises
    ------
    SideError
        If the sides differ, or one is not known.
    InputError
        If the patients differ, it is the same study, or the follow-up was before the baseline.

    Examples
    --------
    >>> first = KneeIdentity(Side.LEFT, "K-17", "1.2", "20260110")
    >>> check_pair(first, KneeIdentity(Side.LEFT, "K-17", "1.3", ""))
    ('Not checked: which examination was first (no Study Date).',)
    """
    if baseline.side is None or follow_up.side is None:
        raise SideError("The side of the knee is not known at both examinations. Give it (--side).")
    if baseline.side is not follow_up.side:
        raise SideError(
            f"The baseline shows a {baseline.side.word} knee and the follow-up a"
            f" {follow_up.side.word} one. Give two examinations of one knee."
        )
    patients = _patients(baseline, follow_up)
    if all(patients) and patients[0] != patients[1]:
        raise InputError(
            "The baseline is of patient {first:private} and the follow-up of {second:private}."
            " Give two examinations of one patient, or have the Patient ID corrected.",
            first=patients[0],
            second=patients[1],
        )
    if follow_up.birth_date not in ("", baseline.birth_date) and baseline.birth_date:
        raise InputError(
            "The baseline is of a patient born on {first:private} and the follow-up of one born on"
            " {second:private}. Give two examinations of one patient, or have it corrected.",
            first=baseline.birth_date,
            second=follow_up.birth_date,
        )
    if baseline.study_instance_uid and baseline.study_instance_uid == follow_up.study_instance_uid:
        raise InputError("Baseline and follow-up are the same study. Give two examinations.")
    days = days_between(baseline.study_date, follow_up.study_date)
    if days is not None and days < 0:
        raise InputError(
            f"The follow-up was {-days} days before the baseline. Give the earlier one first."
        )
    names = {_folded(knee.patient_name) for knee in (baseline, follow_up)} - {""}
    remarks = []
    if all(patients) and len(names) > 1:
        remarks.append(
            "The Patient ID is one, the names are two: make sure that both examinations are of one"
            " patient."
        )
    unknown = {
        "that both examinations are of one patient (no Patient ID)": not (
            baseline.patient_id and follow_up.patient_id
        ),
        "which examination was first (no Study Date)": days is None,
        "which examination was first (one Study Date)": days == 0,
    }
    remarks += [f"Not checked: {what}." for what, missing in unknown.items() if missing]
    return tuple(remarks)


def patients_differ(one: KneeIdentity, other: KneeIdentity) -> bool:
    """Whether two images state different patients.

    Examples
    --------
    >>> one = KneeIdentity(None, "", "1.2", "", "DOE^JO", "19700101")
    >>> patients_differ(one, KneeIdentity(None, "7", "1.3", "", "Doe Jo"))
    False
    >>> patients_differ(one, KneeIdentity(None, "", "1.3", "", "", "19710101"))
    True
    """
    born = one.birth_date, other.birth_date
    return any(all(pair) and pair[0] != pair[1] for pair in (_patients(one, other), born))


def _patients(one: KneeIdentity, other: KneeIdentity) -> tuple[str, str]:
    """Give what is compared of two patients: their IDs, or their names where one has no ID."""
    if one.patient_id and other.patient_id:
        return one.patient_id, other.patient_id
    return _folded(one.patient_name), _folded(other.patient_name)


def _folded(name: str) -> str:
    """Write a Person Name so that spaces, carets and case make no difference."""
    return " ".join(name.replace("^", " ").casefold().split())


def dicom_date(text: str) -> date | None:
    """Read a DICOM date (YYYYMMDD); None where it is none.

    Examples
    --------
    >>> dicom_date("20260110"), dicom_date("2026111")
    (datetime.date(2026, 1, 10), None)
    """
    try:
        day = datetime.strptime(text.strip(), "%Y%m%d").date()
    except ValueError:
        return None
    return day if len(text.strip()) == 8 else None  # strptime takes 2026111 for 1 November


def days_between(first: str, second: str) -> int | None:
    """Days from one DICOM date to another; None where one is not a date.

    Examples
    --------
    >>> days_between("20260110", "20260709"), days_between("", "20260709")
    (180, None)
    """
    dates = [dicom_date(text) for text in (first, second)]
    return None if dates[0] is None or dates[1] is None else (dates[1] - dates[0]).days

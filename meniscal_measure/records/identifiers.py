"""Leaving every patient identifier out of a reading before anything is written.

Left out: Patient's Name, Patient ID, Study Date, all UIDs, Series Description (free text in which
names are found) and the reader's name. Where one of them stands in a reason or a warning it is
replaced, and so are file paths and whatever is quoted there from a header. Kept: geometry, values,
conventions and the time of measuring. These are the attributes a reading holds of those that the
Basic Application Level Confidentiality Profile (DICOM PS3.15 Annex E) removes. Writing burned into
the pixels is image content and is not touched.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from meniscal_measure.caliper.reading import Reading, SliceReading, Source

LEFT_OUT = "[left out]"
"""Stands in running text where an identifier stood."""

SHORTEST_NAME_PART = 2
"""Single letters of a name (initials) are not searched for in running text on their own."""

_PATH = re.compile(r"(?<!\w)(?:[A-Za-z]:)?[\\/][^\s:,;]*[^\s:,;.]")
"""A path quoted in a warning: folders are often named after the patient."""

_QUOTED = re.compile(r"""(?<!\w)(?:'[^']*'|"[^"]*")(?!\w)""")
"""A quotation, which is from free text of a header: of other series too, and of the study."""


def without_identifiers(reading: Reading) -> Reading:
    """Return the reading with every patient identifier left out."""
    identifiers = _identifiers(reading)
    return replace(
        reading,
        source=_anonymous(reading.source, identifiers),
        measured=replace(reading.measured, sop_instance_uid=""),
        neighbours=tuple(replace(part, sop_instance_uid="") for part in reading.neighbours),
        slice_reason=_redacted(reading.slice_reason, identifiers),
        warnings=tuple(_redacted(warning, identifiers) for warning in reading.warnings),
        verified_by=None,
    )


def _anonymous(source: Source, identifiers: list[str]) -> Source:
    return replace(
        source,
        study_instance_uid="",
        series_instance_uid="",
        sop_instance_uid="",
        series_description="",
        patient_id="",
        patient_name="",
        study_date="",
        series_reason=_redacted(source.series_reason, identifiers),
        side_source=_redacted(source.side_source, identifiers),
    )


def _identifiers(reading: Reading) -> list[str]:
    """All identifying strings, the longest first, so that no part survives of a longer one."""
    source = reading.source
    found = {
        source.study_instance_uid,
        source.series_instance_uid,
        source.sop_instance_uid,
        source.series_description,
        source.patient_id,
        source.patient_name,
        source.study_date,
        reading.verified_by or "",
        *_slice_uids((reading.measured, *reading.neighbours)),
        *(
            part
            for part in re.split(r"[\^=\s,]+", source.patient_name)
            if len(part) >= SHORTEST_NAME_PART
        ),
    }
    return sorted(filter(None, found), key=lambda text: (-len(text), text))


def _slice_uids(slices: Iterable[SliceReading]) -> set[str]:
    return {part.sop_instance_uid for part in slices}


def _redacted(text: str, identifiers: list[str]) -> str:
    text = _PATH.sub(LEFT_OUT, _QUOTED.sub(LEFT_OUT, text))
    for identifier in identifiers:
        text = re.sub(_word(identifier), LEFT_OUT, text, flags=re.IGNORECASE)
    return text


def _word(identifier: str) -> str:
    # Not \b: in file names an underscore parts words too.
    return rf"(?<![^\W_]){re.escape(identifier)}(?![^\W_])"

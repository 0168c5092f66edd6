"""Remove every patient identifier from a reading before anything is written.

Left out: Patient's Name, Patient ID, Study Date, all UIDs, Series Description and the other texts
of the header, file names, the reader's name, and what a person wrote about slice and side. Kept:
geometry, values, conventions and the time of measuring. These are the attributes a reading holds of
those that the Basic Application Level Confidentiality Profile (DICOM PS3.15 Annex E) removes. No
text is searched for names: each of these is a field of its own. Writing burned into the pixels is
image content and is not touched.
"""

from __future__ import annotations

from dataclasses import replace

from meniscal_measure.caliper.reading import Reading, Source
from meniscal_measure.sentences import LEFT_OUT
from meniscal_measure.series.side import source_without_reason


def without_identifiers(reading: Reading) -> Reading:
    """Return the reading with every patient identifier left out.

    Examples
    --------
    >>> without_identifiers(reading).source.patient_id
    ''
    """
    chosen_by_program = reading.proposal_confidence is not None
    return replace(
        reading,
        source=_anonymous(reading.source),
        measured=replace(reading.measured, sop_instance_uid=""),
        neighbours=tuple(replace(part, sop_instance_uid="") for part in reading.neighbours),
        slice_reason=reading.slice_reason if chosen_by_program else LEFT_OUT,
        warnings=tuple(found.without_identifiers() for found in reading.warnings),
        signatures=tuple(
            replace(signature, reader="", remark="", seal="") for signature in reading.signatures
        ),
    )


def _anonymous(source: Source) -> Source:
    return replace(
        source, study_instance_uid="", series_instance_uid="", sop_instance_uid="",
        series_description="", series_reason=LEFT_OUT,
        patient_id="", patient_name="", study_date="",
        side_source=source_without_reason(source.side_source),
    )  # fmt: skip

"""A reading taken back from its structured report."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

from pydicom.dataset import Dataset
from pydicom.sr.coding import Code
from pydicom.uid import Comprehensive3DSRStorage

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError
from meniscal_measure.exchange import concepts
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.signatures import check_seals


def reading_of(report: Dataset) -> Reading:
    """Take the reading back from a structured report made by `structured_report`.

    Raises
    ------
    InputError
        If it is another kind of object, holds no record of a reading, states an extrusion that
        is not the one of the record, or was signed before its landmarks were changed.
    """
    if report.get("SOPClassUID") != Comprehensive3DSRStorage:
        raise InputError("The object is not a Comprehensive 3D SR; give the report of a reading.")
    reading = reading_from_dict(_record(report))
    check_seals(reading)
    stated = [
        float(item.MeasuredValueSequence[0].get("FloatingPointValue", math.nan))
        for item in _items(report, concepts.EXTRUSION)
        if item.get("ValueType") == "NUM"
    ]
    recorded = [
        compartment.extrusion.extrusion_mm
        for part in (reading.measured, *reading.neighbours)
        for compartment in part.compartments.values()
    ]
    if stated != recorded:
        raise InputError(
            f"The report states extrusions of {_list_mm(stated)} mm, its record"
            f" {_list_mm(recorded)} mm: it was changed after it was made. Make the report again"
            " from the reading."
        )
    return reading


def _record(report: Dataset) -> dict[str, object]:
    texts = [item.TextValue for item in _items(report, concepts.READING_RECORD)]
    try:
        (text,) = texts
        record = json.loads(text)
    except ValueError as error:
        raise InputError(
            f"The report holds {len(texts)} records of a reading that can be read, not one; make it"
            " again from the reading."
        ) from error
    return dict(record)


def _items(item: Dataset, concept: Code) -> Iterator[Dataset]:
    """Content items of a concept at any depth."""
    for part in item.get("ContentSequence", ()):
        names = part.get("ConceptNameCodeSequence", ())
        known = {(name.CodeValue, name.CodingSchemeDesignator) for name in names}
        if (concept.value, concept.scheme_designator) in known:
            yield part
        yield from _items(part, concept)


def _list_mm(values_mm: list[float]) -> str:
    return ", ".join(f"{value:.3f}" for value in values_mm) or "none"

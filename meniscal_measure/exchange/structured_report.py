"""A reading as a DICOM structured report: TID 1500 in a Comprehensive 3D SR.

One measurement group (TID 1501) for each meniscus on each measured slice. Every measurement is a
TID 300 numeric item with unit, method and uncertainty (TID 310); extrusion is inferred from the
caliper, on the image (SCOORD, half a pixel from pixel centres) and in the patient (SCOORD3D). The
record of the reading is carried along as text, so that nothing is lost to the precision of the
coordinates.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

import highdicom as hd
import numpy as np
from highdicom.sr import templates
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from meniscal_measure.anatomy import Landmark
from meniscal_measure.caliper.reading import CompartmentReading, Quantity, Reading, SliceReading
from meniscal_measure.exchange import concepts, identity
from meniscal_measure.exchange.measurement_report import (
    ReportIdentity,
    measurement_report,
    uncertainty,
)
from meniscal_measure.exchange.source_images import SourceImage
from meniscal_measure.geometry import FloatArray, graphic_coordinates
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.notice import NOTICE

SERIES_NUMBER = 9101
"""Series of the reports, far from those a scanner numbers."""

LENGTHS = {"body_width_mm": concepts.BODY_WIDTH, "overlap_mm": concepts.OVERLAP}
FRACTIONS = {
    "relative_extrusion": concepts.RELATIVE_EXTRUSION,
    "coverage": concepts.COVERAGE,
    "extrusion_over_plateau_width": concepts.EXTRUSION_OVER_PLATEAU,
}


def structured_report(
    reading: Reading, images: Mapping[int, SourceImage], archived: identity.Archived
) -> Dataset:
    """Make the structured report of a reading, with its identifiers: a Comprehensive 3D SR.

    `images` holds the image of each measured slice, see `source_images`. Completion Flag is PARTIAL
    while landmarks are not verified, and Verification Flag VERIFIED only with a reader's name and
    organisation.

    Raises
    ------
    UsageError
        If the UID root is not usable.
    """
    record = json.dumps(reading_to_dict(reading), ensure_ascii=False, allow_nan=False)
    signed_by = None
    if reading.verified and reading.verified_by and archived.organization:
        signed_by = identity.person_name(reading.verified_by)
    headers = {image.header.SOPInstanceUID: image.header for image in images.values()}
    slices = (reading.measured, *reading.neighbours)
    groups = [g for part in slices for g in _groups(reading, part, images[part.slice_index])]
    about = ReportIdentity(
        archived.uid("report", record.encode()),
        archived.series_uid("report", reading),
        SERIES_NUMBER,
        "Meniscal extrusion, measurements",
        software=(reading.software, reading.software_version),
        reader=reading.verified_by,
        is_complete=reading.verified,
        signed_by=signed_by,
    )
    remarks = (
        (concepts.SEVERITIES[found.severity], found.words(slice_name=reading.slice_number))
        for found in reading.warnings
    )
    texts = [(concepts.NOTICE_OF_USE, NOTICE), *remarks, (concepts.READING_RECORD, record)]
    return measurement_report(about, list(headers.values()), groups, texts, archived)


def _groups(
    reading: Reading, part: SliceReading, image: SourceImage
) -> Iterator[templates.MeasurementsAndQualitativeEvaluations]:
    index, side = part.slice_index, reading.source.side
    where = reading.slice_name(index) or f"slice {reading.slice_number(index)}"
    for compartment, measured in part.compartments.items():
        name = f"{compartment.words} meniscus, {where}"
        yield templates.MeasurementsAndQualitativeEvaluations(
            tracking_identifier=templates.TrackingIdentifier(
                uid=identity.derived_uid(
                    identity.UUID_ROOT, name, reading.source.series_instance_uid.encode()
                ),
                identifier=name,
            ),
            finding_type=concepts.EXTRUSION,
            method=concepts.AXES[reading.conventions.axis],
            algorithm_id=templates.AlgorithmIdentification(
                name=reading.software, version=reading.software_version
            ),
            finding_sites=[
                hd.sr.FindingSite(
                    anatomic_location=concepts.MENISCUS,
                    laterality=None if side is None else concepts.SIDES[side],
                    topographical_modifier=concepts.MODIFIERS.get(compartment),
                )
            ],
            measurements=[*_measurements(reading, part, measured, image)],
            qualitative_evaluations=[*_evaluations(reading, measured)],
            source_images=[hd.sr.SourceImageForMeasurementGroup(*image.reference)],
        )


def _measurements(
    reading: Reading, part: SliceReading, measured: CompartmentReading, image: SourceImage
) -> Iterator[templates.Measurement]:
    extrusion, mm = measured.extrusion, concepts.MILLIMETRE
    yield templates.Measurement(
        name=concepts.EXTRUSION,
        value=float(extrusion.extrusion_mm),
        unit=mm,
        method=concepts.AXES[reading.conventions.axis],
        properties=uncertainty(
            extrusion.u_mm,
            extrusion.interval95_mm[1] - extrusion.extrusion_mm,
            extrusion.extrusion_mm - extrusion.interval95_mm[0],
            mm,
        ),
        referenced_coordinates=[*_caliper(reading, measured, image)],
    )
    for key, name in LENGTHS.items():
        yield from _quantity(name, getattr(measured, key), mm)
    for key, name in FRACTIONS.items():
        yield from _quantity(name, getattr(measured, key), concepts.RATIO)
    yield from _quantity(concepts.PLATEAU_WIDTH, part.plateau_width_mm, mm)
    yield templates.Measurement(
        concepts.PROBABILITY_ABOVE, float(extrusion.probability_above_threshold), concepts.NO_UNIT
    )
    yield templates.Measurement(concepts.THRESHOLD, float(reading.conventions.threshold_mm), mm)
    if reading.proposal_confidence is not None:
        yield templates.Measurement(
            concepts.CONFIDENCE, float(reading.proposal_confidence), concepts.NO_UNIT
        )


def _quantity(name: Code, quantity: Quantity | None, unit: Code) -> Iterator[templates.Measurement]:
    if quantity is not None:
        yield templates.Measurement(
            name, float(quantity.value), unit, properties=uncertainty(quantity.u, None, None, unit)
        )


def caliper_mm(measured: CompartmentReading) -> FloatArray:
    """Locate the caliper in the patient, foot first, then outer edge: LPS mm, shape (2, 3).

    Examples
    --------
    >>> caliper_mm(reading.medial).round(1).tolist()
    [[32.7, 14.0, 8.0], [37.2, 14.0, 7.6]]
    """
    edge = np.asarray(measured.landmarks[Landmark.OUTER_EDGE].point_mm)
    return np.stack([edge - measured.extrusion.extrusion_mm * np.asarray(measured.axis), edge])


def _caliper(
    reading: Reading, measured: CompartmentReading, image: SourceImage
) -> Iterator[hd.sr.CoordinatesForMeasurement | hd.sr.CoordinatesForMeasurement3D]:
    ends_mm = caliper_mm(measured)
    yield hd.sr.CoordinatesForMeasurement(
        graphic_type="POLYLINE",
        graphic_data=graphic_coordinates(image.grid.to_pixel(ends_mm)),
        source_image=hd.sr.SourceImageForRegion(*image.reference),
    )
    frame_of_reference = image.header.get("FrameOfReferenceUID")
    if frame_of_reference:
        yield hd.sr.CoordinatesForMeasurement3D(
            graphic_type="POLYLINE", graphic_data=ends_mm, frame_of_reference_uid=frame_of_reference
        )


def _evaluations(
    reading: Reading, measured: CompartmentReading
) -> Iterator[templates.QualitativeEvaluation]:
    extrusion, conventions = measured.extrusion, reading.conventions
    proposed = reading.proposal_confidence is not None
    unverified = concepts.PROPOSED if proposed else concepts.PLACED
    for name, value in (
        (concepts.FLAG, concepts.FLAGGED if extrusion.flag else concepts.NOT_FLAGGED),
        (concepts.DECISION, concepts.DECISIONS[extrusion.decision]),
        (concepts.THRESHOLD_RULE, concepts.THRESHOLD_RULES[conventions.threshold_rule]),
        (concepts.SLICE_CONVENTION, concepts.SLICES[reading.conventions.slice]),
        (concepts.LANDMARK_STATUS, concepts.VERIFIED if reading.verified else unverified),
    ):
        yield templates.QualitativeEvaluation(name, value)

"""A DICOM structured report of measurement groups: TID 1500 in a Comprehensive 3D SR."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import highdicom as hd
from highdicom.sr import templates
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from meniscal_measure.exchange import concepts, identity


@dataclass(frozen=True)
class ReportIdentity:
    """What a structured report is, and who made it."""

    uid: str
    series_uid: str
    series_number: int
    series_description: str
    software: tuple[str, str]
    """Name and version of the program that made what is reported."""
    reader: str | None = None
    is_complete: bool = False
    signed_by: str | None = None
    """Person Name of the reader who verified it, if it is marked as verified."""


def measurement_report(
    about: ReportIdentity,
    evidence: Sequence[Dataset],
    groups: Sequence[templates.MeasurementsAndQualitativeEvaluations],
    texts: Sequence[tuple[Code, str]],
    archived: identity.Archived,
) -> Dataset:
    """Make a Comprehensive 3D SR of measurement groups, with texts at its end.

    `evidence` are the headers of the images that the groups refer to.
    """
    content = templates.MeasurementReport(
        observation_context=_observers(about),
        procedure_reported=concepts.KNEE_MRI,
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
    )
    content[0].ContentSequence.extend(
        hd.sr.TextContentItem(name, text, hd.sr.RelationshipTypeValues.CONTAINS)
        for name, text in texts
    )
    # sent again, the report is its own newest version and replaces only what was before it
    earlier = [one for one in archived.replaces if one.SOPInstanceUID != about.uid]
    report = hd.sr.Comprehensive3DSR(
        evidence=evidence,
        content=content[0],
        series_instance_uid=about.series_uid,
        series_number=about.series_number,
        sop_instance_uid=about.uid,
        instance_number=1 + len(earlier),
        **identity.EQUIPMENT,
        is_complete=about.is_complete,
        is_final=about.signed_by is not None,
        is_verified=about.signed_by is not None,
        verifying_observer_name=about.signed_by,
        verifying_organization=archived.organization if about.signed_by else None,
        previous_versions=earlier or None,
        series_description=about.series_description,
    )
    scheme = Dataset()  # Coding Scheme Identification, DICOM PS3.3 C.12.1.1
    scheme.CodingSchemeDesignator = concepts.SCHEME
    scheme.CodingSchemeName = concepts.SCHEME_NAME
    scheme.CodingSchemeResponsibleOrganization = identity.MANUFACTURER
    report.CodingSchemeIdentificationSequence = [scheme]
    return report


def _observers(about: ReportIdentity) -> templates.ObservationContext:
    person = None
    if about.reader:
        name = identity.person_name(about.reader)
        attributes = templates.PersonObserverIdentifyingAttributes(name=name)
        person = templates.ObserverContext(codes.DCM.Person, attributes)
    device = templates.DeviceObserverIdentifyingAttributes(
        uid=identity.DEVICE_UID,
        name=about.software[0],
        manufacturer_name=identity.MANUFACTURER,
        model_name=" ".join(about.software),
    )
    return templates.ObservationContext(
        observer_person_context=person,
        observer_device_context=templates.ObserverContext(codes.DCM.Device, device),
    )


def uncertainty(
    u: float, upper: float | None, lower: float | None, unit: Code
) -> templates.MeasurementProperties:
    """State the standard uncertainty, and the 95 % interval as ranges about the value.

    Examples
    --------
    >>> [float(item.value) for item in uncertainty(0.3, 0.6, 0.6, concepts.MILLIMETRE)]
    [0.6, 0.6, 0.3]
    """
    properties = templates.MeasurementProperties()
    values = (
        (concepts.UPPER_UNCERTAINTY, upper),
        (concepts.LOWER_UNCERTAINTY, lower),
        (concepts.STANDARD_UNCERTAINTY, u),
    )
    properties.extend(
        hd.sr.NumContentItem(name, float(value), unit, relationship_type="HAS PROPERTIES")
        for name, value in values
        if value is not None
    )
    return properties

"""A case as a DICOM structured report: TID 1500 in a Comprehensive 3D SR.

One measurement group (TID 1501) for each number, with the images it was read from, and one for
each sign that a reader answered. A measurement is a distance, an angle, an area or a ratio by its
standard code; what it measures is the group's finding, by our own code where there is no other.
The record of the case is carried along as text.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import highdicom as hd
from highdicom.sr import templates
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.exchange import concepts, identity
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.measurement_report import (
    ReportIdentity,
    measurement_report,
    uncertainty,
)
from meniscal_measure.exchange.source_images import SourceImage
from meniscal_measure.knee.answers import Seen
from meniscal_measure.knee.case_record import KneeCase, case_to_json
from meniscal_measure.knee.quantity import TracedQuantity, TracedSlice, Visit

SERIES_NUMBER = 9111
"""Series of the reports, far from those a scanner numbers."""

Images = Mapping[TracedSlice, SourceImage]


def case_report(case: KneeCase, images: Images, archived: Archived) -> Dataset:
    """Make the structured report of a case; it is filed with the later examination.

    Parameters
    ----------
    case
        The record, with its identifiers.
    images
        The image of each slice that a number was read from.
    archived
        How it is made for the archive.

    Returns
    -------
    Dataset
        A Comprehensive 3D SR, neither complete nor verified: nobody signs a case.

    Raises
    ------
    UsageError
        If the UID root is not usable.
    """
    record = case_to_json(case)
    software, _, version = case.software.partition(" ")
    about = ReportIdentity(
        archived.uid("case report", record.encode()),
        case_series_uid(archived, case),
        SERIES_NUMBER,
        "Knee case, measurements",
        software=(software, version),
    )
    measured = [
        _measured(case, part.title, found, images)
        for part in case.parts
        for found in part.quantities
    ]
    remarks = (
        (concepts.REMARK, f"{part.title}: {remark}")
        for part in case.parts
        for remark in part.remarks
    )
    texts = [(concepts.NOTICE_OF_USE, case.notice), *remarks, (concepts.CASE_RECORD, record)]
    groups = [*measured, *_signs(case)]
    return measurement_report(about, evidence(images), groups, texts, archived)


def evidence(images: Images) -> list[Dataset]:
    """Give the header of every image once, those of the later examination first."""
    order = sorted(images, key=lambda where: where.visit is not Visit.FOLLOW_UP)
    headers = {images[where].header.SOPInstanceUID: images[where].header for where in order}
    return list(headers.values())


def case_series_uid(archived: Archived, case: KneeCase) -> str:
    """Name the series of all reports of a case, so that versions lie together.

    Raises
    ------
    UsageError
        If the UID root is not usable.
    """
    studies = " ".join(study.study_instance_uid for study in case.studies)
    return archived.uid("case report series", studies.encode())


def _measured(
    case: KneeCase, title: str, found: TracedQuantity, images: Images
) -> templates.MeasurementsAndQualitativeEvaluations:
    name, unit = concepts.QUANTITIES[found.unit]
    finding = measure_code(found.name)
    interval = found.interval95
    half = None if interval is None else interval[1] - found.value
    measurement = templates.Measurement(
        name, float(found.value), unit,
        properties=None if found.u is None else uncertainty(found.u, half, half, unit),
    )  # fmt: skip
    sources = [
        hd.sr.SourceImageForMeasurementGroup(*image.reference)
        for where in dict.fromkeys(found.where)
        if (image := images.get(where)) is not None
    ]
    return templates.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=_tracked(case, f"{title}: {found.name}"),
        finding_type=finding,
        finding_sites=[_site(case, found.name)],
        measurements=[measurement],
        qualitative_evaluations=[
            templates.QualitativeEvaluation(concepts.BASIS, concepts.BASES[found.basis])
        ],
        source_images=sources or None,
    )


def _signs(case: KneeCase) -> Iterator[templates.MeasurementsAndQualitativeEvaluations]:
    for line in case.signs:
        if line.seen in set(Seen):
            by = f", read by {line.by}" if line.by else ""
            sign, seen = concepts.ROOT_SIGNS[line.sign], concepts.SEEN[Seen(line.seen)]
            yield templates.MeasurementsAndQualitativeEvaluations(
                tracking_identifier=_tracked(case, f"sign: {line.description}{by}"),
                finding_type=sign,
                finding_sites=[_site(case, case.root)],
                qualitative_evaluations=[templates.QualitativeEvaluation(sign, seen)],
            )


def measure_code(name: str) -> Code:
    """Code what a number of a case is.

    Examples
    --------
    >>> measure_code("tunnel length").meaning
    'Length of a tibial tunnel'
    """
    return next(
        (code for start, code in concepts.KNEE_MEASURES.items() if name.startswith(start)),
        concepts.KNEE_MEASURE,
    )


def _site(case: KneeCase, name: str) -> hd.sr.FindingSite:
    """Give the knee joint, or the meniscus of the compartment that the name begins with."""
    compartment = next((c for c in concepts.MODIFIERS if name.startswith(c.value)), None)
    of_meniscus = compartment is not None and name.endswith(("extrusion", "root"))
    return hd.sr.FindingSite(
        anatomic_location=concepts.MENISCUS if of_meniscus else concepts.KNEE_JOINT,
        laterality=concepts.SIDES[Side.from_word(case.side)],
        topographical_modifier=(
            concepts.MODIFIERS[Compartment(compartment)] if of_meniscus and compartment else None
        ),
    )


def _tracked(case: KneeCase, name: str) -> templates.TrackingIdentifier:
    study = case.studies[0].study_instance_uid
    uid = identity.derived_uid(identity.UUID_ROOT, name, study.encode())
    return templates.TrackingIdentifier(uid=uid, identifier=name)

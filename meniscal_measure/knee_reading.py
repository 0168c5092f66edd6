"""A reading together with the stack it was taken on."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from meniscal_measure import __version__
from meniscal_measure.caliper.landmarks import LandmarkSet
from meniscal_measure.caliper.measure import MeasuredSet
from meniscal_measure.caliper.reading import CompartmentReading, Conventions, Reading, Source
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.save import SavedFiles, save_reading
from meniscal_measure.report.strip import strip_indices
from meniscal_measure.series.model import Choice, Laterality, Stack
from meniscal_measure.series.pixels import read_pixels

StrPath = str | os.PathLike[str]


@dataclass(frozen=True)
class KneeReading:
    """A reading together with the stack it was taken on, so that it can be shown and saved."""

    reading: Reading
    stack: Stack = field(repr=False)

    @property
    def medial(self) -> CompartmentReading | None:
        """The medial compartment on the measured slice; see `Reading.medial`."""
        return self.reading.medial

    @property
    def lateral(self) -> CompartmentReading | None:
        """The lateral compartment on the measured slice; see `Reading.lateral`."""
        return self.reading.lateral

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """What a reader must look at before using a number."""
        return self.reading.warnings

    def save(self, folder: StrPath, *, identifiers: bool = True) -> SavedFiles:
        """Write the record, the table, the figures and the PDF of this reading.

        Parameters
        ----------
        folder
            Where to write; made if it does not exist.
        identifiers
            False leaves out every identifier of the patient.

        Raises
        ------
        OutputError
            If the folder cannot be written; nothing is left behind then.
        UnreadableFileError
            If the pixels of the measured slice cannot be decoded.
        """
        images, unreadable = _shown_images(self)
        reading = replace(self.reading, warnings=(*self.warnings, *unreadable))
        return save_reading(reading, images, Path(folder), identifiers=identifiers)


def assembled(
    choice: Choice,
    laterality: Laterality,
    landmarks: LandmarkSet,
    results: MeasuredSet,
    conventions: Conventions,
    warnings: tuple[Finding, ...],
) -> Reading:
    """Put together what was measured on a stack, and where it comes from."""
    return Reading(
        source=_source(choice, laterality, results),
        conventions=replace(conventions, slice=landmarks.slice_convention),
        slice_reason=landmarks.slice_reason,
        measured=results.measured,
        neighbours=results.neighbours,
        warnings=warnings,
        software="meniscal_measure",
        software_version=__version__,
        measured_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _source(choice: Choice, laterality: Laterality, results: MeasuredSet) -> Source:
    stack, identity = choice.stack, choice.stack.identity
    grid = stack.frames[results.measured.slice_index].grid
    return Source(
        study_instance_uid=identity.study_instance_uid,
        series_instance_uid=identity.series_instance_uid,
        sop_instance_uid=results.measured.sop_instance_uid,
        series_description=identity.series_description,
        series_reason=choice.reason,
        patient_id=identity.patient_id,
        patient_name=identity.patient_name,
        study_date=identity.study_date,
        row_spacing_mm=grid.row_spacing_mm,
        column_spacing_mm=grid.column_spacing_mm,
        slice_spacing_mm=stack.spacing_mm,
        slice_count=len(stack.frames),
        side=laterality.side,
        side_source=laterality.source,
    )


def _shown_images(knee: KneeReading) -> tuple[SeriesImages, list[Finding]]:
    """Pixels of the measured slice and those beside it; an unreadable neighbour is left out."""
    images, findings = {}, []
    for index in strip_indices(knee.reading):
        try:
            (images[index],) = read_pixels(knee.stack, [index])
        except UnreadableFileError as error:
            if index == knee.reading.measured.slice_index:
                raise
            values = {"reason": error.words(identifiers=False)}
            findings.append(Finding(Code.SLICE_NOT_SHOWN, values, index))
    return SeriesImages(images, tuple(frame.grid for frame in knee.stack.frames)), findings

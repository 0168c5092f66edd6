"""A reading together with the stack it was taken on."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from meniscal_measure.caliper.reading import CompartmentReading, Reading
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import StackPixels

if TYPE_CHECKING:  # drawing takes longer to load than a knee to measure, and a cohort draws nothing
    from meniscal_measure.report.images import SeriesImages
    from meniscal_measure.report.save import SavedFiles

StrPath = str | os.PathLike[str]


@dataclass(frozen=True)
class KneeReading:
    """A reading together with the stack it was taken on, so that it can be shown and saved."""

    reading: Reading
    pixels: StackPixels = field(repr=False)
    """Of the stack it was taken on."""

    @property
    def stack(self) -> Stack:
        """The stack it was taken on."""
        return self.pixels.stack

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

    def save(self, folder: StrPath, *, identifiers: bool = True, force: bool = False) -> SavedFiles:
        """Write the record, the table, the figures and the PDF of this reading.

        Parameters and errors are those of `meniscal_measure.report.save.save_reading`.

        Raises
        ------
        UnreadableFileError
            If the pixels of the measured slice cannot be decoded.
        """
        from meniscal_measure.report.save import save_reading

        images, unreadable = _shown_images(self)
        reading = replace(self.reading, warnings=(*self.warnings, *unreadable))
        return save_reading(reading, images, Path(folder), identifiers=identifiers, force=force)


def _shown_images(knee: KneeReading) -> tuple[SeriesImages, list[Finding]]:
    """Pixels of the measured slice and those beside it; an unreadable neighbour is left out."""
    from meniscal_measure.report.images import SeriesImages
    from meniscal_measure.report.strip import strip_indices

    images, findings = {}, []
    for index in strip_indices(knee.reading):
        try:
            (images[index],) = knee.pixels.read([index])
        except UnreadableFileError as error:
            if index == knee.reading.measured.slice_index:
                raise
            values = {"reason": error.words(identifiers=False)}
            findings.append(Finding(Code.SLICE_NOT_SHOWN, values, index))
    return SeriesImages(images, tuple(frame.grid for frame in knee.stack.frames)), findings

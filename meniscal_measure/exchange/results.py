"""All objects of one reading."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pydicom.dataset import Dataset

from meniscal_measure.errors import UsageError
from meniscal_measure.exchange.capture import figure_capture, report_document
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.exchange.presentation_state import presentation_state
from meniscal_measure.exchange.source_images import source_images
from meniscal_measure.exchange.structured_report import structured_report
from meniscal_measure.files import written_whole
from meniscal_measure.report.save import SavedFiles
from meniscal_measure.report.window import display_window
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels

NAMES = ("structured-report", "presentation-state", "figure", "report")
"""Names of the files, in the order in which `result_objects` makes the objects."""


@dataclass(frozen=True)
class Results:
    """What was made for an archive, with the names of its files."""

    objects: tuple[Dataset, ...]
    names: tuple[str, ...] = NAMES

    def write(self, folder: Path) -> tuple[Path, ...]:
        """Write each object to a file.

        Raises
        ------
        OutputError
            If the folder cannot be written.
        """
        paths = tuple(folder / f"{name}.dcm" for name in self.names)
        for path, one in zip(paths, self.objects, strict=True):
            with written_whole(path, owner_only=True) as stream:
                one.save_as(stream, enforce_file_format=True)
        return paths


def result_objects(saved: SavedFiles, stack: Stack, archived: Archived) -> Results:
    """Make the objects of a saved reading, which was taken on `stack`.

    Raises
    ------
    UsageError
        If the reading was saved without identifiers, or the UID root is not usable.
    UnreadableFileError
        If an image is no longer there.
    """
    reading = saved.contents
    if not reading.source.sop_instance_uid:
        raise UsageError(
            "A reading without identifiers cannot be filed with a patient. Measure again without"
            " --without-identifiers, or de-identify the images first."
        )
    slices = (reading.measured, *reading.neighbours)
    images = source_images(stack, [part.slice_index for part in slices])
    middle = reading.measured.slice_index
    (pixels,) = read_pixels(stack, [middle])
    png, pdf = saved.figure_png.read_bytes(), saved.report.read_bytes()
    return Results(
        (
            structured_report(reading, images, archived),
            presentation_state(reading, images, display_window(pixels), archived),
            figure_capture(reading, images[middle], png, archived),
            report_document(reading, images[middle], pdf, archived),
        )
    )

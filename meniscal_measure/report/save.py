"""Writing a reading to a folder: everything or nothing."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import UsageError
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.file_set import write_set
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.records.reading_file import would_lose
from meniscal_measure.report.canvas import Stamp, pdf_bytes, png_bytes, svg_bytes
from meniscal_measure.report.figure import slice_figure
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.pdf import report_pdf
from meniscal_measure.report.profile import profile_figure
from meniscal_measure.report.rows import readings_csv
from meniscal_measure.report.strip import strip_figure

READING = "reading.json"


@dataclass(frozen=True)
class SavedFiles:
    """The files written, by what they hold."""

    contents: Reading
    """What they say: without identifiers, if they were written so."""
    reading: Path
    table: Path
    figure_png: Path
    figure_svg: Path
    figure_pdf: Path
    strip_png: Path
    strip_svg: Path
    profile_png: Path
    profile_svg: Path
    report: Path


def save_reading(
    reading: Reading,
    images: SeriesImages,
    folder: Path,
    *,
    identifiers: bool = True,
    force: bool = False,
) -> SavedFiles:
    """Write record, table, pictures and report of a reading into a folder, for its owner alone.

    Parameters
    ----------
    folder
        Made if it does not exist; files of the same names in it are replaced.
    identifiers
        Whether `report.pdf`, `reading.json` and `readings.csv` may name the patient. The pictures
        never do. See `meniscal_measure.records.identifiers` for what is left out otherwise.
    force
        Replace a verified reading by one that is not. A verified reading that the new one does not
        continue is kept in a folder `earlier-1` (or the next free number) beside the new files.

    Raises
    ------
    UsageError
        If the folder holds a verified reading, this one is not verified and `force` is not given.
    OutputError
        If the folder cannot be written. The files in it are untouched then.
    """
    held = Path(os.path.realpath(folder), READING)  # also where it is new/../folder
    loses_verified = would_lose(held, reading)
    if loses_verified and not reading.verified and not force:
        raise UsageError(
            "{folder:private} holds a reading that is verified, or cannot be read, and this one is"
            " not verified. Name another folder, or add --force, which keeps the old one too.",
            folder=str(folder),
        )
    shown = reading if identifiers else without_identifiers(reading)
    files = SavedFiles(
        contents=shown,
        reading=folder / READING,
        table=folder / "readings.csv",
        figure_png=folder / "figure.png",
        figure_svg=folder / "figure.svg",
        figure_pdf=folder / "figure.pdf",
        strip_png=folder / "strip.png",
        strip_svg=folder / "strip.svg",
        profile_png=folder / "profile.png",
        profile_svg=folder / "profile.svg",
        report=folder / "report.pdf",
    )
    write_set(folder, _rendered(files, shown, images), keep_old=loses_verified)
    return files


def _rendered(files: SavedFiles, reading: Reading, images: SeriesImages) -> dict[str, bytes]:
    """Content of every file by its name; all of it is made before the first is written."""
    stamp = Stamp(
        title="Meniscal extrusion: a measurement aid, not a diagnosis",
        software=f"{reading.software} {reading.software_version}",
        made_at=reading.measured_at,
    )
    figure = slice_figure(reading, images)
    figure_pdf = pdf_bytes([figure], stamp)
    record = json.dumps(reading_to_dict(reading), indent=2, ensure_ascii=False, allow_nan=False)
    contents = {
        files.reading: f"{record}\n".encode(),
        files.table: readings_csv([reading]).encode(),
        files.figure_pdf: figure_pdf,
        files.report: report_pdf(reading, images, figure_pdf, stamp),
    }
    strip = strip_figure(reading, images)
    profile = profile_figure(reading, images.grids[reading.measured.slice_index])
    for drawn, png, svg in (
        (figure, files.figure_png, files.figure_svg),
        (strip, files.strip_png, files.strip_svg),
        (profile, files.profile_png, files.profile_svg),
    ):
        contents |= {png: png_bytes(drawn, stamp), svg: svg_bytes(drawn, stamp)}
    return {path.name: content for path, content in contents.items()}

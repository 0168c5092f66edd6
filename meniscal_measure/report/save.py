"""Writing a reading to a folder: everything or nothing."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import OutputError
from meniscal_measure.files import written_whole
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.identifiers import without_identifiers
from meniscal_measure.report.canvas import Stamp, pdf_bytes, png_bytes, svg_bytes
from meniscal_measure.report.figure import slice_figure
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.pdf import report_pdf
from meniscal_measure.report.profile import profile_figure
from meniscal_measure.report.rows import readings_csv
from meniscal_measure.report.strip import strip_figure


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
    reading: Reading, images: SeriesImages, folder: Path, *, identifiers: bool = True
) -> SavedFiles:
    """Write record, table, pictures and report of a reading into a folder.

    Parameters
    ----------
    reading
        What was measured.
    images
        Pixels and planes of the stack it was measured on.
    folder
        Made if it does not exist; files of the same names in it are replaced.
    identifiers
        Whether `report.pdf`, `reading.json` and `readings.csv` may name the patient. The pictures
        never do. See `meniscal_measure.records.identifiers` for what is left out otherwise.

    Raises
    ------
    OutputError
        If the folder cannot be written. No file of this reading is left then, and files of an
        earlier one are untouched unless the very last step, putting files into place, failed.
    """
    shown = reading if identifiers else without_identifiers(reading)
    files = SavedFiles(
        contents=shown,
        reading=folder / "reading.json",
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
    write_together(_rendered(files, shown, images))
    return files


def _rendered(files: SavedFiles, reading: Reading, images: SeriesImages) -> dict[Path, bytes]:
    """Content of every file; all of it is made before the first is written."""
    stamp = Stamp(
        title="Meniscal extrusion: a measurement aid, not a diagnosis",
        software=f"{reading.software} {reading.software_version}",
        made_at=reading.measured_at,
    )
    figure = slice_figure(reading, images)
    figure_pdf = pdf_bytes([figure], stamp)
    strip = strip_figure(reading, images)
    profile = profile_figure(reading, images.grids[reading.measured.slice_index])
    record = json.dumps(reading_to_dict(reading), indent=2, ensure_ascii=False, allow_nan=False)
    return {
        files.reading: f"{record}\n".encode(),
        files.table: readings_csv([reading]).encode(),
        files.figure_pdf: figure_pdf,
        files.report: report_pdf(reading, images, figure_pdf, stamp),
        **_pictures(figure, files.figure_png, files.figure_svg, stamp),
        **_pictures(strip, files.strip_png, files.strip_svg, stamp),
        **_pictures(profile, files.profile_png, files.profile_svg, stamp),
    }


def _pictures(figure: Figure, png: Path, svg: Path, stamp: Stamp) -> dict[Path, bytes]:
    return {png: png_bytes(figure, stamp), svg: svg_bytes(figure, stamp)}


def write_together(contents: Mapping[Path, bytes]) -> None:
    """Write files that belong together: every one beside its place, then all into place.

    Raises
    ------
    OutputError
        If one cannot be written. None of them is left then, and files that were there before are
        untouched unless the very last step, putting files into place, failed.
    """
    placed: list[Path] = []

    def note(path: Path) -> Callable[..., None]:
        return lambda error, *_: placed.append(path) if error is None else None

    try:
        with ExitStack() as stack:
            for path, content in contents.items():
                stack.push(note(path))
                stream = stack.enter_context(written_whole(path))
                stream.write(content)
                stream.flush()  # a full disk is to show before the first file is in place
    except OutputError:
        for path in placed:
            path.unlink(missing_ok=True)
        raise

"""A whole study de-identified, file by file."""

from __future__ import annotations

import io
import os
import warnings as python_warnings
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import pydicom

from meniscal_measure.errors import InputError, UnreadableFileError, UsageError
from meniscal_measure.exchange.deidentify import burned_in_text, deidentified
from meniscal_measure.exchange.pseudonyms import Pseudonyms
from meniscal_measure.files import Progress, read_bytes, written_whole
from meniscal_measure.series.attributes import HEADER_ERRORS
from meniscal_measure.series.bounded import BoundedStream
from meniscal_measure.series.model import FileRef, Refusal
from meniscal_measure.series.sources import Opener, files_under


@dataclass(frozen=True)
class Deidentified:
    """What happened to the files of a study."""

    written: int
    warnings: Mapping[str, int]
    """What must be checked, each with the number of images."""
    refusals: tuple[Refusal, ...]


def read_key(path: Path) -> Pseudonyms:
    """Read the secret of a cohort.

    Raises
    ------
    UsageError
        If the file cannot be read, or the key is too short.
    """
    return Pseudonyms(read_bytes(path, "Name the file with the secret of the cohort.").strip())


def deidentify_study(
    study: Path,
    folder: Path,
    pseudonyms: Pseudonyms,
    *,
    keep_characteristics: bool = False,
    progress: Progress | None = None,
) -> Deidentified:
    """De-identify the MR images of a study.

    Parameters
    ----------
    study
        Folder, zip archive, DICOMDIR or file.
    folder
        Where to write: a folder for each patient and in it one for each series, all named by
        pseudonyms.
    pseudonyms
        The pseudonyms of the cohort.
    keep_characteristics
        Keep sex, age, size and weight.
    progress
        Called after each file with the number of files done and their total.

    Raises
    ------
    UsageError
        If there is nothing at that path, or one of study and folder lies in the other.
    OutputError
        If the folder cannot be written.
    """
    _check_apart(study, folder)
    files, refused = files_under(study)
    warnings: Counter[str] = Counter()
    refusals = [*refused]
    with Opener() as opener:
        for done, file in enumerate(files, start=1):
            try:
                path, content, warning = _image(opener, file, pseudonyms, keep_characteristics)
                with written_whole(folder / path) as stream:
                    stream.write(content)
                warnings.update(filter(None, [warning]))
            except InputError as error:
                refusals.append(Refusal(file, error.reason))
            if progress is not None:
                progress(done, len(files))
    written = len(files) + len(refused) - len(refusals)
    return Deidentified(written, warnings, tuple(refusals))


def _check_apart(study: Path, folder: Path) -> None:
    """Refuse a folder that would hold the patient's images as well."""
    source, target = (Path(os.path.realpath(path)) for path in (study, folder))
    if source == target or source in target.parents or target in source.parents:
        raise UsageError(
            "{folder:private} and {study:private} overlap, so that images with and"
            " without their patient would be mixed. Name a folder of its own.",
            folder=str(folder),
            study=str(study),
        )


def _image(
    opener: Opener, file: FileRef, pseudonyms: Pseudonyms, keep_characteristics: bool
) -> tuple[Path, bytes, str]:
    """Give the place of an image below the folder, its new content, and a warning or nothing."""
    try:
        with opener.open(file) as stream, python_warnings.catch_warnings():
            python_warnings.filterwarnings("ignore", module=r"pydicom\b")
            image = pydicom.dcmread(cast(BinaryIO, BoundedStream(stream)))
            warning = burned_in_text(image)
            deidentified(image, pseudonyms, keep_characteristics=keep_characteristics)
            path = Path(image.PatientID, image.SeriesInstanceUID, f"{image.SOPInstanceUID}.dcm")
            content = io.BytesIO()
            image.save_as(content, enforce_file_format=True)
    except HEADER_ERRORS as error:
        raise UnreadableFileError(
            "It is not a DICOM file that can be read whole. Copy it again from its source."
        ) from error
    return path, content.getvalue(), warning

"""Images put under codes for readers, so that nothing about the files shows a repeat.

Each reading has copies of its own in a folder named by its code. Copies of one image differ in what
no program shows: the preamble and a private element of the file meta information (DICOM PS3.10
section 7.1), which also brings every file to one of few sizes, drawn at random. Data set and
pixels stay as they are, with whatever the headers say of the patient: de-identify the images first
where that matters.
"""

from __future__ import annotations

import os
import secrets
from dataclasses import replace
from pathlib import Path

from meniscal_measure.cohort.assignment import Assigned, Plan, blinded_place
from meniscal_measure.cohort.source_files import LANDMARK_SUFFIXES, fetched
from meniscal_measure.errors import OutputError
from meniscal_measure.series.model import FileRef
from meniscal_measure.series.sources import Opener, files_under

PREAMBLE_BYTES = 128
"""Bytes before the prefix DICM, free for any use (DICOM PS3.10 section 7.1)."""

META_START = PREAMBLE_BYTES + 16
"""Where the file meta information goes on after its prefix and its group length."""

GROUP_LENGTH = b"DICM\x02\x00\x00\x00UL\x04\x00"
"""Prefix and head of File Meta Information Group Length (0002,0000), always little endian."""

CREATOR = b"\x02\x00\x00\x01UI" + b"\x2c\x00" + b"2.25.211349527341860452139680213577016398243"
"""Private Information Creator UID (0002,0100): who wrote the private information."""

PRIVATE = b"\x02\x00\x02\x01OB\x00\x00"
"""Head of Private Information (0002,0102), before its length; here random bytes."""

LEAST_STEP_BYTES = 2**15
"""Sizes are multiples of this, or of an eighth of the power of two below them."""

MOST_STEPS = 4
"""Most steps between the size of a copy and the least it could have."""

MODIFIED_S = 946_684_800
"""Time of every copy: the first second of the year 2000, UTC."""


def write_blinded_images(plan: Plan, folder: Path) -> None:
    """Copy the images of every reading under its code: `folder / reader / code`.

    The members of archives are unpacked. A file that is no DICOM file is copied as it is.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    UnreadableFileError
        If a file cannot be read.
    """
    with Opener() as opener:
        for one in plan.readings:
            try:
                _write(one, blinded_place(one, folder), opener)
            except OSError as error:
                raise OutputError(
                    "The images of reading {code} cannot be put under {folder:private}: {reason}."
                    " Name a folder you may write to.",
                    code=one.code,
                    folder=str(folder),
                    reason=error.strerror or "unknown",
                ) from error


def _write(one: Assigned, place: Path, opener: Opener) -> None:
    with fetched(replace(one.entry, landmarks="")) as (images, _):
        files = [file for file in files_under(images).files if not _is_index(file)]
        place.mkdir(parents=True, exist_ok=True)
        for number, file in enumerate(files, start=1):
            copy = place / f"{number:05d}.dcm"
            copy.unlink(missing_ok=True)
            with opener.open(file) as stream:
                copy.write_bytes(varied_copy(stream.read()))
            os.utime(copy, (MODIFIED_S, MODIFIED_S))
    os.utime(place, (MODIFIED_S, MODIFIED_S))


def _is_index(file: FileRef) -> bool:
    """Whether a file is a landmark file, or an index whose names no longer match."""
    name = Path(file.member or file.path.name).name
    return name.lower().endswith(LANDMARK_SUFFIXES) or name.upper() == "DICOMDIR"


def varied_copy(content: bytes) -> bytes:
    """Copy a DICOM file with another preamble, and private information to fill up its size.

    A file without the prefix and the group length that PS3.10 asks for is left as it is.
    """
    if content[PREAMBLE_BYTES : META_START - 4] != GROUP_LENGTH:
        return content
    length = int.from_bytes(content[META_START - 4 : META_START], "little")
    meta, data_set = content[META_START : META_START + length], content[META_START + length :]
    preamble = os.urandom(PREAMBLE_BYTES)
    if CREATOR[:4] in meta:  # it has private information already
        return b"".join([preamble, content[PREAMBLE_BYTES:]])
    size = len(content) + len(CREATOR) + len(PRIVATE) + 4
    step = max(LEAST_STEP_BYTES, 1 << (size.bit_length() - 4))
    filling = os.urandom((-size % step + step * secrets.randbelow(MOST_STEPS)) & ~1)
    # The value is of even length (PS3.5 section 6.2).
    private = CREATOR + PRIVATE + len(filling).to_bytes(4, "little") + filling
    group_length = GROUP_LENGTH + (length + len(private)).to_bytes(4, "little")
    return b"".join([preamble, group_length, meta, private, data_set])

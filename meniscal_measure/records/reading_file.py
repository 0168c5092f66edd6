"""The reading.json that was written with figure and report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError
from meniscal_measure.files import ordinary, read_bytes
from meniscal_measure.records.codec import reading_from_dict
from meniscal_measure.records.file_set import check_set, settle


def read_reading(path: Path) -> Reading:
    """Take a reading back from a file.

    Raises
    ------
    UsageError
        If the file cannot be read.
    InputError
        If it does not belong to the files it was written with, is not a JSON object, or
        `reading_from_dict` refuses what it holds.
    """
    check_set(path.parent, path.name)
    content = read_bytes(path, "Give a reading.json that measure wrote.")
    try:
        return reading_from_dict(msgspec.json.decode(content, type=dict[str, Any]))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(
            "{file:private} is not a reading ({reason:private}). Give a reading.json that measure"
            " wrote.",
            file=str(path),
            reason=str(error),
        ) from error
    except InputError as error:
        raise error.within("{file:private}", file=str(path)) from error


def would_lose(path: Path, reading: Reading) -> bool:
    """Whether a verified reading is there that `reading` does not continue, or cannot be read.

    It continues the one whose signatures it bears, with or without one more.

    Examples
    --------
    >>> would_lose(Path("nowhere") / "reading.json", reading)
    False
    """
    try:
        settle(path.parent)
        record = msgspec.json.decode(ordinary(path).read_bytes(), type=dict[str, Any])
        if record["verified"] is False:
            return False
        times = [signature["signed_at"] for signature in record["signatures"]]
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, KeyError, TypeError, RecursionError):
        return True
    own = [signature.signed_at for signature in reading.signatures]
    return not times or times != own[: len(times)]

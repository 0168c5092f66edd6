"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from meniscal_measure.errors import OutputError


@contextmanager
def written_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file beside `path` for writing and rename it into place when all went well.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. Nothing is left behind.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise _refused(path, error) from error
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
        beside.chmod(0o666 & ~_umask())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise _refused(path, error) from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _refused(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"Cannot write {path}: {error.strerror or error}. Name a folder you may write to."
    )

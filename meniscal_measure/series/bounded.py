"""Reading untrusted headers with no more memory and time than their file can need."""

from __future__ import annotations

import os
import struct
import zlib
from typing import BinaryIO

from meniscal_measure.errors import UnreadableFileError

DAMAGE_ERRORS = (
    OSError, EOFError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError,
    MemoryError, RuntimeError, struct.error,
)  # fmt: skip
"""What the standard library and pydicom raise on damaged data, whatever is read from it."""

MOST_READS = 1_500_000
"""Reads after which a header is taken to have no end; they take about five seconds. pydicom needs
two or three for an element, and the longest headers, of multi-frame objects, some hundred thousand.
"""

MOST_UNPACKED_BYTES = 2**28
"""Largest size to which a file in the deflated transfer syntax may unpack; it is rarely used."""

_CHUNK_BYTES = 2**16


class BoundedStream:
    """A stream that hands out what the file holds and not what a length in it claims.

    Raises
    ------
    EOFError
        By `read`, if it is called more often than any header needs.
    UnreadableFileError
        By `read`, if it reads to the end what unpacks to too much: pydicom does so with a deflated
        data set, and with nothing else.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._size = stream.seek(0, os.SEEK_END)
        self._reads = 0
        self.seek, self.tell = stream.seek, stream.tell
        self.seek(0)

    def read(self, size: int = -1) -> bytes:
        """Read no more bytes than there are."""
        self._reads += 1
        if self._reads > MOST_READS:
            raise EOFError("it has no end")
        held = max(self._size - self.tell(), 0)
        content = self._stream.read(held if size < 0 else min(size, held))
        if size < 0 and inflated_bytes(content, most=MOST_UNPACKED_BYTES) > MOST_UNPACKED_BYTES:
            raise UnreadableFileError(
                f"The file unpacks to more than {MOST_UNPACKED_BYTES / 1e6:.0f} MB. Ask for the"
                " images uncompressed."
            )
        return content


def inflated_bytes(packed: bytes, *, most: int) -> int:
    """Count what a deflated data set unpacks to, up to just above `most`."""
    inflater, count = zlib.decompressobj(-zlib.MAX_WBITS), 0
    while packed and not inflater.eof and count <= most:
        count += len(inflater.decompress(packed, _CHUNK_BYTES))
        packed = inflater.unconsumed_tail
    return count

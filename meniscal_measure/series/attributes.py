"""Reading attributes from DICOM headers, whichever functional group holds them.

pydicom turns each element it is asked for into a full object, which costs more than reading the
file; listing a large study asks for some fifteen elements a frame, so the plain ones are parsed
here from the bytes.
"""

from __future__ import annotations

import math
import struct
import zlib
from functools import cache, lru_cache
from typing import cast

from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.multival import MultiValue
from pydicom.tag import BaseTag, Tag

from meniscal_measure.errors import GeometryError

HEADER_ERRORS = (
    InvalidDicomError,
    BytesLengthException,
    OSError,
    EOFError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    RuntimeError,
    struct.error,
    zlib.error,
)
"""What pydicom raises on damaged headers."""

_BINARY_FORMATS = {"US": "H", "SS": "h", "UL": "L", "SL": "l", "FL": "f", "FD": "d"}
"""Format of `struct` of each binary value representation (DICOM PS3.5 table 6.2-1)."""


class Header:
    """Attributes of one frame, looked up in several datasets, the most specific first.

    Parameters
    ----------
    layers
        For a multi-frame object the items of the frame's own functional groups, then those of
        the shared ones, then the object; for a single-frame object just that
        (DICOM PS3.3 C.7.6.16).
    """

    def __init__(self, *layers: Dataset) -> None:
        self._layers = layers

    def _element(self, keyword: str) -> DataElement | RawDataElement | None:
        tag = _tag(keyword)
        for layer in self._layers:
            element = layer.get_item(tag)
            if element is not None:
                return cast(DataElement | RawDataElement, element)
        return None

    def holds(self, keyword: str) -> bool:
        """Whether the attribute is present, empty or not."""
        return self._element(keyword) is not None

    def strings(self, keyword: str) -> tuple[str, ...]:
        """Values of a coded or numeric-string attribute; empty when it is absent or empty."""
        element = self._element(keyword)
        return () if element is None or not element.value else _strings(element)

    def code(self, keyword: str) -> str:
        """First value of a coded attribute, upper case; empty when absent."""
        values = self.strings(keyword)
        return values[0].upper() if values else ""

    def text(self, keyword: str) -> str:
        """Text in the character set of the file; empty when absent."""
        element = next((layer[keyword] for layer in self._layers if keyword in layer), None)
        return "" if element is None or element.value is None else _printable(str(element.value))

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Values of a numeric attribute; empty when it is absent or empty.

        Raises
        ------
        GeometryError
            If the value is not made of numbers.
        """
        element = self._element(keyword)
        if element is None or element.value is None or element.value == b"":
            return ()
        try:
            binary = _binary_format(keyword)
            if binary and isinstance(element, RawDataElement):
                return _unpacked(element, binary)
            return tuple(map(_decimal, _strings(element)))
        except (ValueError, struct.error) as error:
            raise GeometryError(
                f"{keyword} is {_shown(element)}, which is not made of numbers. Ask for the series"
                " to be exported again from the scanner or the archive."
            ) from error

    def number(self, keyword: str) -> float | None:
        """First value of a numeric attribute; None when absent."""
        values = self.numbers(keyword)
        return values[0] if values else None

    def number_if_legible(self, keyword: str) -> float | None:
        """First value of a numeric attribute that the job can do without.

        None when it is absent, not a number or not finite.
        """
        try:
            value = self.number(keyword)
        except GeometryError:
            return None
        return value if value is not None and math.isfinite(value) else None


@cache
def _tag(keyword: str) -> BaseTag:
    tag = tag_for_keyword(keyword)
    if tag is None:
        raise KeyError(keyword)
    return Tag(tag)


@cache
def _binary_format(keyword: str) -> str | None:
    return _BINARY_FORMATS.get(dictionary_VR(_tag(keyword)))


def _strings(element: DataElement | RawDataElement) -> tuple[str, ...]:
    if isinstance(element, RawDataElement):
        return _split(element.value or b"")
    value = element.value
    return tuple(map(str, value)) if isinstance(value, MultiValue) else (str(value),)


@lru_cache(maxsize=1024)  # most values repeat from slice to slice
def _split(raw: bytes) -> tuple[str, ...]:
    text = raw.decode("latin-1").strip(" \0")
    return tuple(part.strip(" ") for part in text.split("\\")) if text else ()


def _decimal(text: str) -> float:
    if "_" in text:  # which Python allows in a number and DICOM does not
        raise ValueError(text)
    return float(text)


def _shown(element: DataElement | RawDataElement) -> str:
    """Value of an element as a person would write it, for messages."""
    if isinstance(element.value, bytes):
        return f'"{_printable(element.value.decode("latin-1"))}"'
    return f'"{element.value}"'


def _printable(text: str) -> str:
    """Text without control characters, which could steer the terminal it is shown on."""
    return "".join(letter if letter.isprintable() else " " for letter in text).strip()


def _unpacked(element: RawDataElement, code: str) -> tuple[float, ...]:
    raw = element.value or b""
    order = "<" if element.is_little_endian else ">"
    return struct.unpack(f"{order}{len(raw) // struct.calcsize(order + code)}{code}", raw)


def frame_headers(dataset: Dataset) -> list[Header]:
    """Split an object into the headers of its frames.

    Raises
    ------
    GeometryError
        If a multi-frame object describes fewer frames than it says it holds.
    """
    whole = Header(dataset)
    count = int(whole.number_if_legible("NumberOfFrames") or 0)
    if not whole.holds("PerFrameFunctionalGroupsSequence"):
        if count > 1:
            raise GeometryError(
                f"NumberOfFrames is {count}, but nothing says where each frame lies"
                " (PerFrameFunctionalGroupsSequence is missing). Ask for single-frame or Enhanced"
                " MR images."
            )
        return [whole]
    per_frame = dataset.PerFrameFunctionalGroupsSequence
    shared = [
        layer
        for group in dataset.get("SharedFunctionalGroupsSequence") or []
        for layer in _items(group)
    ]
    if count != len(per_frame):
        raise GeometryError(
            f"NumberOfFrames is {count} but PerFrameFunctionalGroupsSequence describes"
            f" {len(per_frame)} frames; the header is cut short or damaged. Copy the file again."
        )
    return [Header(*_items(group), *shared, dataset) for group in per_frame]


def _items(group: Dataset) -> list[Dataset]:
    return [element.value[0] for element in group if element.VR == "SQ" and element.value]

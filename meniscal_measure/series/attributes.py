"""Reading attributes from DICOM headers, each from the one place the standard gives it.

In a multi-frame object that is the item of a functional group macro (DICOM PS3.3 C.7.6.16), never
another sequence that happens to hold an attribute of the same tag. Numbers and codes are taken from
the bytes of an element: pydicom's own objects for them would double the time of listing a study.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Hashable, Iterator
from contextlib import suppress
from functools import cache, lru_cache
from typing import cast

from pydicom.datadict import dictionary_VR
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence

from meniscal_measure.errors import GeometryError
from meniscal_measure.sentences import printable
from meniscal_measure.series.attribute_places import (
    FRAME_MACROS,
    MULTI_FRAME,
    OF_OBJECT_TOO,
    OFTEN_UNASSIGNED,
    TAGS,
    UNASSIGNED_MACROS,
)
from meniscal_measure.series.bounded import DAMAGE_ERRORS

HEADER_ERRORS = (*DAMAGE_ERRORS, InvalidDicomError, BytesLengthException, zlib.error)
"""What pydicom raises on damaged headers."""

_BINARY_FORMATS = {"US": "H", "SS": "h", "UL": "L", "SL": "l", "FL": "f", "FD": "d"}
"""Format of `struct` of each binary value representation (DICOM PS3.5 table 6.2-1)."""

_OF_DECIMALS = frozenset("0123456789+-.eE ")
"""Characters of a decimal string (DICOM PS3.5 table 6.2-1). A damaged digit is often none of them:
one flipped bit turns 5 into the control character 15H."""

_SPECIAL = frozenset(b"\\=\33")
"""Bytes that separate values or parts of a name, or change the character set (PS3.5 6.1, 6.2)."""

_EMPTY = (None, b"", "")


class Header:
    """Attributes of one frame.

    Parameters
    ----------
    dataset
        The object.
    groups
        Of a multi-frame object the functional groups of the frame, then the shared ones; the frame
        comes first (DICOM PS3.3 C.7.6.16.1.1). None for a single-frame object.

    Examples
    --------
    >>> dataset = Dataset()
    >>> dataset.Rows, dataset.Laterality = 512, "L"
    >>> Header(dataset).number("Rows"), Header(dataset).code("Laterality")
    (512.0, 'L')
    """

    def __init__(self, dataset: Dataset, groups: tuple[Dataset, ...] | None = None) -> None:
        self._dataset = dataset
        self._groups = groups

    def _places(self, keyword: str) -> Iterator[Dataset]:
        """Datasets that may hold an attribute, the first that does counts."""
        if self._groups is None:
            yield self._dataset
            return
        macro = FRAME_MACROS.get(keyword)
        if macro is not None:
            yield from self._items(macro)
        if macro is None or keyword in OF_OBJECT_TOO:
            yield self._dataset
        if keyword in OFTEN_UNASSIGNED:
            for unassigned in UNASSIGNED_MACROS:
                yield from self._items(unassigned)

    def _items(self, macro: str) -> Iterator[Dataset]:
        for group in self._groups or ():
            yield from _only_item(macro, group)

    def _element(self, keyword: str) -> DataElement | RawDataElement | None:
        tag = TAGS[keyword]
        places = (self._dataset,) if self._groups is None else self._places(keyword)
        for place in places:
            element = place.get_item(tag)
            if element is not None:
                return cast(DataElement | RawDataElement, element)
        return None

    def holds(self, keyword: str) -> bool:
        """Whether the attribute is present, empty or not."""
        return self._element(keyword) is not None

    def strings(self, keyword: str) -> tuple[str, ...]:
        """Values of a coded or numeric-string attribute; empty when it is absent or empty."""
        element = self._element(keyword)
        if element is None or element.value in _EMPTY:
            return ()
        if isinstance(element.value, bytes):
            return _printable(element.value)
        return tuple(printable(part).strip() for part in _strings(element))

    def code(self, keyword: str) -> str:
        """First value of a coded attribute, upper case; empty when absent."""
        values = self.strings(keyword)
        return values[0].upper() if values else ""

    def text(self, keyword: str) -> str:
        """Text in the character set of the file; empty when absent."""
        element = self._element(keyword)
        if element is not None and _is_plain(element.value):
            return " ".join(_printable(element.value))
        holders = (place for place in self._places(keyword) if keyword in place)
        value = next((place[keyword].value for place in holders), None)
        return "" if value is None else printable(str(value)).strip()

    def items(self, sequence: str) -> tuple[Header, ...]:
        """Items of a sequence of texts or codes, each as a header; none where it is damaged."""
        with suppress(*HEADER_ERRORS):
            holders = (place for place in self._places(sequence) if sequence in place)
            found = [item for holder in holders for item in holder[sequence].value]
            return tuple(Header(item) for item in found if isinstance(item, Dataset))
        return ()

    def as_written(self, tags: frozenset[int]) -> Hashable:
        """Attributes of the frame as they stand in the file, to tell whether frames are alike."""
        return tuple(_as_written(place, tags) for place in (self._dataset, *(self._groups or ())))

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Values of a numeric attribute; empty when it is absent or empty.

        Raises
        ------
        GeometryError
            If the value is not made of numbers.
        """
        element = self._element(keyword)
        if element is None or element.value in _EMPTY:
            return ()
        try:
            return _numbers(element, keyword)
        except (ValueError, struct.error) as error:
            raise GeometryError(
                '{keyword} is "{value:private}", which is not made of numbers. Ask for the series'
                " to be exported again from the scanner or the archive.",
                keyword=keyword,
                value=printable("\\".join(_strings(element))),
            ) from error

    def required(self, keyword: str, count: int) -> tuple[float, ...]:
        """Values of a numeric attribute without which nothing can be measured.

        Raises
        ------
        GeometryError
            If there are not `count` of them.
        """
        values = self.numbers(keyword)
        if len(values) == count:
            return values
        held = f"{len(values)} value{'' if len(values) == 1 else 's'}"
        state = f"has {held} where {count} are needed" if values else "is missing"
        cause = (
            "encrypted attributes are present and may hold it: ask for the unprotected file"
            if self.holds("EncryptedAttributesSequence")
            else "ask for the series to be exported again from the scanner or the archive"
        )
        raise GeometryError(f"{keyword} {state}; nothing can be measured without it, {cause}.")

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

    def count(self, keyword: str, default: int) -> int:
        """Whole number of an attribute that counts something; `default` when absent.

        Raises
        ------
        GeometryError
            If it is not a whole number.
        """
        value = self.number(keyword)
        if value is None:
            return default
        if not (math.isfinite(value) and value == int(value)):
            raise GeometryError(
                f"{keyword} is {value}, which counts nothing. Ask for the series to be exported"
                " again from the scanner or the archive."
            )
        return int(value)


def _as_written(dataset: Dataset, tags: frozenset[int]) -> Hashable:
    return tuple(
        (tag, _value_as_written(dataset.get_item(tag), tags))
        for tag in sorted(tags.intersection(dataset.keys()))
    )


def _value_as_written(element: DataElement | RawDataElement, tags: frozenset[int]) -> Hashable:
    if isinstance(element.value, bytes):
        return element.value
    if isinstance(element.value, Sequence):
        return tuple(_as_written(item, tags) for item in element.value)
    return str(element.value)


def _is_plain(value: object) -> bool:
    """Whether a value is one text of ASCII, which is the same in every character set of DICOM.

    Several values, groups of a name and changes of the character set are left to pydicom.
    """
    return isinstance(value, bytes) and value.isascii() and not _SPECIAL.intersection(value)


def _numbers(element: DataElement | RawDataElement, keyword: str) -> tuple[float, ...]:
    code = _binary_format(keyword)
    if code is None or not isinstance(element, RawDataElement):
        return tuple(map(_decimal, _strings(element)))
    raw = element.value or b""
    order = "<" if element.is_little_endian else ">"
    return struct.unpack(f"{order}{len(raw) // struct.calcsize(order + code)}{code}", raw)


@cache
def _binary_format(keyword: str) -> str | None:
    return _BINARY_FORMATS.get(dictionary_VR(TAGS[keyword]))


def _strings(element: DataElement | RawDataElement) -> tuple[str, ...]:
    value = element.value
    if isinstance(value, bytes):
        return _split(value)
    return tuple(map(str, value)) if isinstance(value, MultiValue) else (str(value),)


@lru_cache(maxsize=1024)  # most values repeat from slice to slice
def _split(raw: bytes) -> tuple[str, ...]:
    text = raw.decode("latin-1").strip(" \0")
    return tuple(text.split("\\")) if text else ()


@lru_cache(maxsize=1024)
def _printable(raw: bytes) -> tuple[str, ...]:
    return tuple(printable(part).strip() for part in _split(raw))


def _decimal(text: str) -> float:
    if not set(text) <= _OF_DECIMALS:
        raise ValueError(text)
    return float(text)


def is_multi_frame(dataset: Dataset) -> bool:
    """Whether functional groups describe the frames of an object.

    Examples
    --------
    >>> is_multi_frame(Dataset())
    False
    """
    return "".join(Header(dataset).strings("SOPClassUID")) in MULTI_FRAME


def frame_headers(dataset: Dataset) -> list[Header]:
    """Split an object into the headers of its frames.

    Raises
    ------
    GeometryError
        If the object holds several frames without saying where each lies.
    """
    count = Header(dataset).count("NumberOfFrames", 1)
    if not is_multi_frame(dataset):
        if count > 1:
            raise _unplaced(count)
        return [Header(dataset)]
    per_frame = dataset.get("PerFrameFunctionalGroupsSequence") or ()
    if not per_frame:
        raise _unplaced(count)
    if count != len(per_frame):
        raise GeometryError(
            f"NumberOfFrames is {count} but PerFrameFunctionalGroupsSequence describes"
            f" {len(per_frame)} frames; the header is cut short or damaged. Copy the file again."
        )
    shared = _only_item("SharedFunctionalGroupsSequence", dataset)
    return [Header(dataset, (group, *shared)) for group in per_frame]


def _only_item(sequence: str, holder: Dataset) -> tuple[Dataset, ...]:
    items = tuple(holder.get(sequence) or ())
    if len(items) > 1:
        raise GeometryError(
            f"{sequence} has {len(items)} items where one is allowed, so that it is not known"
            " which one counts. Ask for the series to be exported again."
        )
    return items


def _unplaced(count: int) -> GeometryError:
    return GeometryError(
        f"NumberOfFrames is {count}, but nothing says where each frame lies"
        " (PerFrameFunctionalGroupsSequence is missing). Ask for single-frame or Enhanced MR"
        " images."
    )

"""Who makes the objects, how for an archive, and the identifiers they get."""

from __future__ import annotations

import hashlib
import re
import uuid
from dataclasses import dataclass
from typing import TypedDict

from pydicom.dataset import Dataset
from pydicom.uid import RE_VALID_UID_PREFIX, UID

from meniscal_measure import __version__
from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import UsageError

MANUFACTURER = "meniscal_measure"
"""Manufacturer (0008,0070): the program that makes the objects."""
SOFTWARE_VERSION = __version__


class Equipment(TypedDict):
    """What highdicom asks of the device that makes an object."""

    manufacturer: str
    manufacturer_model_name: str
    software_versions: str
    device_serial_number: str


EQUIPMENT = Equipment(
    manufacturer=MANUFACTURER,
    manufacturer_model_name=MANUFACTURER,
    software_versions=SOFTWARE_VERSION,
    device_serial_number="none",  # mandatory in presentation states; software has none
)

UUID_ROOT = "2.25"
"""Root of UIDs made of a UUID, open to everybody (DICOM PS3.5 B.2)."""

NAMESPACE = uuid.UUID("d3d8c1f4-9f0e-5f0a-8c66-4b1a0f3f5b27")
"""Of the name-based UUIDs of derived objects; drawn once, without meaning."""

MAX_ROOT_LENGTH = 24
"""A UID has at most 64 characters (DICOM PS3.5 9.1), 39 of them are the number of a UUID."""

DEVICE_UID = UID(f"{UUID_ROOT}.{uuid.uuid5(NAMESPACE, 'device').int}")
"""Device Observer UID: the program as an observer."""


def derived_uid(root: str, kind: str, content: bytes) -> UID:
    """Make the UID of a derived object from what it holds.

    The same content gets the same UID, so that an object sent again is recognised as the one
    the archive already has, and any change gets a new one.

    Parameters
    ----------
    root
        The organisation's UID root, or `UUID_ROOT`.
    kind
        What the UID names, such as "structured report".
    content
        What the object says.

    Raises
    ------
    UsageError
        If the root is not the beginning of a UID, or too long.

    Examples
    --------
    >>> derived_uid("2.25", "series", b"x") == derived_uid("2.25", "series", b"x")
    True
    >>> derived_uid("1.2.826.0.1", "series", b"x").is_valid
    True
    """
    prefix = f"{root.rstrip('.')}."
    if len(prefix) > MAX_ROOT_LENGTH + 1 or not re.fullmatch(RE_VALID_UID_PREFIX, prefix):
        raise UsageError(
            f"The UID root {root!r} is not usable. Give numbers separated by points, at most"
            f" {MAX_ROOT_LENGTH} characters, as registered to your organisation."
        )
    name = f"{kind}/{hashlib.sha256(content).hexdigest()}"
    return UID(f"{prefix}{uuid.uuid5(NAMESPACE, name).int}")


@dataclass(frozen=True)
class Archived:
    """How objects are made for an archive."""

    uid_root: str = UUID_ROOT
    """Root of all new UIDs."""
    organization: str | None = None
    """Of the reader who verified; a report is only marked verified when it is known, as the
    standard asks for it (Verifying Organization, DICOM PS3.3 C.17.2)."""
    replaces: tuple[Dataset, ...] = ()
    """Earlier versions of the report, which the new one names as its predecessors."""

    def uid(self, kind: str, content: bytes) -> UID:
        """Make the UID of an object, see `derived_uid`.

        Examples
        --------
        >>> Archived("1.2.826.0.1").uid("report", b"x").startswith("1.2.826.0.1.")
        True
        """
        return derived_uid(self.uid_root, kind, content)

    def series_uid(self, kind: str, reading: Reading) -> UID:
        """Name the series of all objects of a kind on one image series: versions lie together.

        Examples
        --------
        >>> Archived().series_uid("report", reading) == Archived().series_uid("figure", reading)
        False
        """
        return self.uid(f"{kind} series", reading.source.series_instance_uid.encode())


def person_name(name: str) -> str:
    """Write a name as typed in the form of a Person Name (DICOM PS3.5 6.2), undivided.

    Examples
    --------
    >>> person_name("A. Reader")
    'A. Reader^'
    """
    return name if "^" in name else f"{name}^"

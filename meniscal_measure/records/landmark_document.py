"""What a landmark file holds: slices, named landmarks and a signature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.axis import Point, name_of
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import Signature

LANDMARK_NAMES: Mapping[str, Point] = {
    name_of(compartment, landmark): (compartment, landmark)
    for compartment in Compartment
    for landmark in Landmark
}

MIN_SD_MM = 0.02
"""A tenth of a pixel of 0.2 mm, the finest of clinical knee MRI: no edge is located better than
to `meniscal_measure.caliper.refinement.MODEL_SD_PX` of a pixel. With 0 the spacing
alone would make up u."""

MAX_SD_MM = 10.0
"""A placement as uncertain as a meniscus is wide locates nothing."""

SIGNATURE_KEYS = ("reader", "at", "axis", "quality", "remark", "seal")
DEFAULT_REASON = "as given in the landmark file"


@dataclass(frozen=True)
class SliceRef:
    """The slice as the file names it; at least one of the two is given."""

    index: int | None
    sop_instance_uid: str | None

    def __str__(self) -> str:
        return str(self.sop_instance_uid if self.index is None else self.index)


@dataclass(frozen=True)
class SliceEntry:
    """One slice of a file: two or three coordinates and the standard deviation of each point."""

    name: SliceRef
    points: Mapping[str, tuple[tuple[float, ...], float]]


@dataclass(frozen=True)
class LandmarkDocument:
    """All that a landmark file says; the first entry is the measured slice."""

    entries: tuple[SliceEntry, ...]
    convention: SliceConvention = SliceConvention.CHOSEN_BY_READER
    reason: str = DEFAULT_REASON
    signature: Signature | None = None

    @property
    def sop_instance_uid(self) -> str | None:
        """The first image that is named, to find the series; None where slices have indices.

        Examples
        --------
        >>> entries = (SliceEntry(SliceRef(3, None), {}), SliceEntry(SliceRef(4, "1.2.3"), {}))
        >>> LandmarkDocument(entries).sop_instance_uid
        '1.2.3'
        """
        names = (entry.name.sop_instance_uid for entry in self.entries)
        return next((uid for uid in names if uid is not None), None)

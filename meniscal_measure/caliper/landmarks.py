"""Landmarks on one coronal slice, in patient space, each with its standard deviation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.slice_name import NumberedPlane

if TYPE_CHECKING:  # asking for help on the command line is not to wait for numpy
    from meniscal_measure.geometry import Vector

HAND_PLACEMENT_SD_MM = 0.2
"""Default standard deviation of a landmark placed by hand, along the measuring direction.

Derived, as no paper states one in millimetres: two such landmarks give 0.28 mm, close to the
standard error of measurement 0.92 mm x sqrt(1 - 0.90) = 0.29 mm that follows from the spread of
medial extrusion in Bruns 2014 (SD 0.92 mm) and a reader agreement of ICC 0.90.
"""


class ImagePlane(NumberedPlane, Protocol):
    """What the caliper needs to know of a slice: which image it is and where it lies."""

    @property
    def sop_instance_uid(self) -> str:
        """SOP Instance UID of the image; the frames of a multi-frame image share it."""


class Origin(StrEnum):
    """How a landmark came to lie where it is."""

    READER = "reader"
    """Placed by a person."""
    REFINED = "refined"
    """Placed by a person and moved to the sub-pixel edge nearby."""
    PROPOSED = "proposed"
    """Proposed by the program and not yet confirmed by a person."""


@dataclass(frozen=True)
class PlacedLandmark:
    """A landmark in patient space."""

    point_mm: Vector
    """LPS mm."""
    sd_mm: float
    """Standard deviation of its placement along the measuring direction, mm."""
    origin: Origin = Origin.READER
    """Who or what placed it."""
    sd_across_mm: float | None = None
    """Standard deviation in the slice across the measuring direction, mm; None where it equals
    `sd_mm`."""

    @property
    def across_mm(self) -> float:
        """Standard deviation across the measuring direction, mm.

        Examples
        --------
        >>> PlacedLandmark((0.0, 0.0, 0.0), 0.2).across_mm
        0.2
        """
        return self.sd_mm if self.sd_across_mm is None else self.sd_across_mm


@dataclass(frozen=True)
class SliceLandmarks:
    """The landmarks of both compartments on one slice of a stack.

    `points[compartment][landmark]`; the keys are either medial and lateral, or image left and
    image right while the side is unknown. Landmarks that were not placed are absent.
    """

    slice_index: int
    points: Mapping[Compartment, Mapping[Landmark, PlacedLandmark]]


class SliceConvention(StrEnum):
    """Rule by which the measured slice was chosen; readings are comparable only within one."""

    MEDIAL_SPINE_APEX = "medial_spine_apex"
    """Slice through the apex of the medial tibial spine (Jones 2018)."""
    LARGEST_MEDIAL_SPINE = "largest_medial_spine"
    """Slice on which the medial tibial spine is largest (common practice, no source)."""
    PLATEAU_MIDPOINT = "plateau_midpoint"
    """Slice at the midpoint of the antero-posterior extent of the plateau."""
    MAXIMUM_EXTRUSION = "maximum_extrusion"
    """Slice with the largest extrusion; over-estimates (Jones 2018)."""
    CHOSEN_BY_READER = "chosen_by_reader"


@dataclass(frozen=True)
class LandmarkSet:
    """Landmarks on the measured slice and, where placed, on its neighbours."""

    measured: SliceLandmarks
    neighbours: tuple[SliceLandmarks, ...]
    slice_convention: SliceConvention
    slice_reason: str
    """Why this slice, in words."""

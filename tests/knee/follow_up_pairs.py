"""One synthetic knee at two examinations: torn and left, repaired and healed, repaired and not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from meniscal_measure.anatomy import Compartment
from meniscal_measure.geometry import Vector
from meniscal_measure.workshop.knees.parameters import KneeParameters, RootTear, TearParameters
from meniscal_measure.workshop.knees.repair import repaired, shifted
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee


class RootCourse(StrEnum):
    """What happens to the torn root between the examinations."""

    LEFT_TORN = "left_torn"
    HEALED = "healed"
    NOT_HEALED = "not_healed"


CHANGE_MM = {RootCourse.LEFT_TORN: 1.0, RootCourse.HEALED: -1.0, RootCourse.NOT_HEALED: 0.5}
"""Change of the medial extrusion in each course.

Left torn: between 3.3 and 5.5 mm before and after a tear (Orthop J Sports Med 2020, PMC7645763).
The others are what a pair is to tell apart (common practice, no source)."""

TUNNEL_OFFSET_MM = 4.0
"""Distance of the tunnel's mouth from the footprint (4.06 and 3.99 mm achieved: PMC7219562)."""


@dataclass(frozen=True)
class FollowUpPair:
    """Both examinations of a knee, and what is true of them."""

    course: RootCourse
    """What happened in between."""
    baseline: KneeParameters
    follow_up: KneeParameters
    """The knee at each examination; the bones are the same."""
    change_mm: float
    """Change of the medial extrusion along the whole body."""
    gap_mm: tuple[float, float]
    """Width of the gap at the root, at each examination; 0 where scar has closed it."""
    footprint_mm: Vector
    """Centre of the medial posterior root, LPS mm."""
    tunnel_offset_mm: float | None
    """Distance of the tunnel's mouth from it; None where there is no tunnel."""

    @property
    def void(self) -> tuple[bool, bool]:
        """Whether the posterior horn is replaced by fluid beside the root, at each examination."""
        return self.gap_mm[0] > 0, self.gap_mm[1] > 0


def follow_up_pair(
    knee: KneeParameters,
    course: RootCourse,
    *,
    gap_mm: float = 4.0,
    distance_mm: float = 3.0,
    change_mm: float | None = None,
) -> FollowUpPair:
    """Tear the medial posterior root of a knee completely and follow it.

    Parameters
    ----------
    knee
        The knee before.
    course
        What happens to it.
    gap_mm, distance_mm
        Width of the tear, and its distance from the attachment.
    change_mm
        Change of the medial extrusion; without it that of `CHANGE_MM`.

    Raises
    ------
    RecipeError
        If the extrusion would leave its range.

    Examples
    --------
    >>> pair = follow_up_pair(KneeParameters(), RootCourse.HEALED)
    >>> pair.change_mm, pair.gap_mm, pair.void
    (-1.0, (4.0, 0.0), (True, False))
    """
    change = CHANGE_MM[course] if change_mm is None else change_mm
    tear = TearParameters(root=RootTear.COMPLETE, root_distance_mm=distance_mm, root_gap_mm=gap_mm)
    torn = replace(knee, medial_tear=tear)
    healed = float(course is RootCourse.HEALED)
    later = (
        shifted(torn, Compartment.MEDIAL, change)
        if course is RootCourse.LEFT_TORN
        else repaired(
            torn, extrusion_change_mm=change, tunnel_offset_mm=TUNNEL_OFFSET_MM, healed=healed
        )
    )
    return FollowUpPair(
        course,
        torn,
        later,
        change,
        (gap_mm, gap_mm * (1 - healed)),
        SyntheticKnee(torn).roots[Compartment.MEDIAL, "posterior"],
        None if course is RootCourse.LEFT_TORN else TUNNEL_OFFSET_MM,
    )

"""Where the mid-coronal plane lies: what the networks say, weighed against the bones' own course.

The networks have learned distances on drawn knees. The heights of both tibial spines and of the
notch over the slices are measured on the images at hand and held against those of real knees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.consensus import middle_mm
from meniscal_measure.locate.plateau import notch_mm, spines_mm
from meniscal_measure.locate.survey import Survey

BEHIND_APEX_MM = np.arange(-16.0, 17.0, 4.0)
"""Offsets of a slice from the apex of the medial spine, backward positive."""
MEDIAL_SPINE_MM = np.array([5.0, 5.8, 6.9, 9.4, 11.0, 9.7, 5.6, 4.0, 3.5])
LATERAL_SPINE_MM = np.array([1.5, 2.2, 3.4, 6.6, 9.2, 9.0, 7.4, 6.5, 5.5])
NOTCH_MM = np.array([7.0, 9.3, 14.4, 20.6, 24.4, 27.5, 31.0, 35.0, 38.0])
"""Mean heights of the spines over the line of the rims, and of the notch over the condyles, on
slices at these offsets: measured on label maps of 44 knees of the Osteoarthritis Initiative (label
maps published with arXiv:2211.16696); the ends, where few knees reach, are drawn on."""

LEARNED_SD_MM = 2.0
LEARNED_BEHIND_MM = 3.5
"""The networks put the apex too far back on real knees: by 1.7 and 3.5 mm on the two series of one
knee, earlier ones by 4 to 5 mm on 36 others; the bones' course draws it back by some tenths too.
With this much taken off, what is found lies on average where the hand put it on these two series,
and half a millimetre in front on drawn knees; the standard deviation covers the rest."""
SPINE_SD_MM = 1.6
NOTCH_SD_MM = 3.0
"""Of a spine's height on a slice, and of the place that the height of the notch gives: residuals
about a knee's own course, 2.5 and 1.7 mm, and of the mean notch over knees, 2.8 mm by 1.27 mm a mm
of depth, for the same 44 knees."""
INDEPENDENT_SLICES = 5.0
"""Heights on neighbouring slices err together: a course counts as so many."""
SPINE_REACH_MM, NOTCH_REACH_MM = 13.0, 8.0
"""Slices this near to a place have a say on whether it is the middle."""
GAIN = (0.6, 1.2)
"""An outline drawn on pixels of a millimetre shows spines lower than they are, by up to this."""
SEARCH_MM, STEP_MM = 9.0, 0.25
"""Range about the networks' answer, and step."""


@dataclass(frozen=True)
class Middle:
    """The mid-coronal plane of a stack; positions along the stack, mm."""

    position_mm: float
    sd_mm: float
    learned_mm: float
    """Where the networks alone put it."""


@dataclass(frozen=True)
class Course:
    """Heights over the slices of a stack; mm, NaN where unknown."""

    positions_mm: FloatArray
    medial_mm: FloatArray
    lateral_mm: FloatArray
    notch_mm: FloatArray

    def mismatch(self, apex_mm: float) -> float:
        """How badly the course fits real knees if the apex lies there: minus a log likelihood."""
        behind = self.positions_mm - apex_mm
        spines = (
            _misfit(behind, self.medial_mm, MEDIAL_SPINE_MM)
            + _misfit(behind, self.lateral_mm, LATERAL_SPINE_MM)
        ) * INDEPENDENT_SLICES
        near = (np.abs(behind) < NOTCH_REACH_MM) & ~np.isnan(self.notch_mm)
        if not near.any():
            return float(spines / (2 * SPINE_SD_MM**2))
        usual = np.interp(behind[near], BEHIND_APEX_MM, NOTCH_MM)
        rise = (NOTCH_MM[5] - NOTCH_MM[3]) / (BEHIND_APEX_MM[5] - BEHIND_APEX_MM[3])
        off_mm = float((self.notch_mm[near] - usual).mean()) / rise
        return float(spines / (2 * SPINE_SD_MM**2) + off_mm**2 / (2 * NOTCH_SD_MM**2))


def find_middle(
    surveys: Sequence[Survey],
    positions_mm: Sequence[float],
    *,
    backward: bool,
    medial_right: bool | None,
) -> Middle:
    """Find the plane of a stack through the apex of the medial spine.

    Parameters
    ----------
    surveys
        What each network of the first stage found on every slice.
    positions_mm
        Position of each slice along the stack.
    backward
        Whether the stack runs from back to front.
    medial_right
        Whether medial is on the right of the image; None while the side is unknown.
    """
    positions = np.array(positions_mm)
    sign = -1.0 if backward else 1.0
    learned = middle_mm(surveys, positions) - sign * LEARNED_BEHIND_MM
    places = learned + np.arange(-SEARCH_MM, SEARCH_MM + STEP_MM, STEP_MM)
    courses = [_courses(seen, sign * positions, medial_right) for seen in surveys]
    mismatches = [
        [min(course.mismatch(sign * place) for course in ways) for ways in courses]
        for place in places
    ]
    against = (places - learned) ** 2 / (2 * LEARNED_SD_MM**2) + np.mean(mismatches, axis=1)
    weight = np.exp(against.min() - against)
    weight /= weight.sum()
    position = float(weight @ places)
    return Middle(position, float(np.sqrt(weight @ (places - position) ** 2)), learned)


def _courses(seen: Survey, positions: FloatArray, medial_right: bool | None) -> list[Course]:
    """Give the course of the heights; both ways round while the side is unknown."""
    left, right = spines_mm(seen.surface_mm).T
    notch = notch_mm(seen.roof_mm)
    ways = {True: (right, left), False: (left, right)}
    sides = (True, False) if medial_right is None else (medial_right,)
    return [Course(positions, *ways[side], notch) for side in sides]


def _misfit(behind: FloatArray, heights: FloatArray, usual: FloatArray) -> float:
    """Mean squared departure of heights from a usual course of any mean and about any gain."""
    near = (np.abs(behind) < SPINE_REACH_MM) & ~np.isnan(heights)
    if near.sum() < 4:
        return 0.0
    expected = np.interp(behind[near], BEHIND_APEX_MM, usual)
    course, found = expected - expected.mean(), heights[near] - heights[near].mean()
    gain = np.clip((course @ found) / (course @ course), *GAIN)
    return float(((found - gain * course) ** 2).mean())

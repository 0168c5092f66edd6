"""Which slice is measured: the one nearest to the middle of the joint, or that a person named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.findings import Code, Finding
from meniscal_measure.locate.middle import find_middle
from meniscal_measure.locate.place import compartment_of
from meniscal_measure.locate.survey import Survey, is_backward
from meniscal_measure.series.model import Stack

MOST_OFF_MIDDLE_MM = 4.0
"""Farthest the measured slice may lie from the middle.

Slices are up to 5 mm apart, so a whole stack has one within 2.5 mm; farther off, the middle lies
beyond an end of the stack or in a gap of it.
"""
CONTRARY_MM = 4.5
"""Where bones and networks differ by more than this about the middle, it may be a slice off."""

OFF_MIDDLE = (
    "The middle of the joint seems to lie {off_mm:.1f} mm from the nearest slice, past an end of"
    " the stack or in a gap. Find the missing slices, or name the slice to be measured."
)


@dataclass(frozen=True)
class ChosenSlice:
    """The slice to be measured, and why; `findings` say what to check about it."""

    index: int
    convention: SliceConvention
    reason: str
    findings: tuple[Finding, ...] = ()
    objection: str = ""
    """Why it must not stand for the middle of the joint, in words; empty where it may."""


@dataclass(frozen=True)
class Declined:
    """Why nothing is proposed, in words; the slice most likely to be the middle, and confidence."""

    reason: str
    likely_slice: int
    confidence: float = 0.0


def named_by_person(index: int) -> ChosenSlice:
    """Take the slice that a reader named.

    Examples
    --------
    >>> named_by_person(16).index
    16
    """
    return ChosenSlice(index, SliceConvention.CHOSEN_BY_READER, "The reader named the slice.")


def the_only_one() -> ChosenSlice:
    """Take the only slice of a stack: whoever exported it has chosen it.

    Examples
    --------
    >>> the_only_one().index
    0
    """
    return ChosenSlice(
        0,
        SliceConvention.CHOSEN_BY_READER,
        "The series is a single image, chosen by whoever exported it.",
        (Finding(Code.SINGLE_EXPORTED_IMAGE),),
    )


def choose_slice(surveys: Sequence[Survey], stack: Stack, side: Side | None) -> ChosenSlice:
    """Choose the slice nearest to the apex of the medial spine.

    Parameters
    ----------
    surveys
        What each network of the first stage found on every slice.
    stack
        The stack.
    side
        Body side; None while unknown.
    """
    grid = stack.frames[0].grid
    right = compartment_of(grid, right=True, side=side)
    middle = find_middle(
        surveys,
        stack.positions_mm,
        backward=is_backward(grid),
        medial_right=None if side is None else right is Compartment.MEDIAL,
    )
    away = np.abs(np.array(stack.positions_mm) - middle.position_mm)
    index = int(away.argmin())
    past = away[index] > MOST_OFF_MIDDLE_MM
    reason = (
        "Nearest to the medial spine apex, by what the networks say of the slices and by the"
        " heights of the tibial spines and of the notch over them, with a standard deviation of"
        f" {middle.sd_mm:.1f} mm."
    )
    apart_mm = abs(middle.position_mm - middle.learned_mm)
    contrary = (
        (Finding(Code.MIDDLE_UNSURE, {"apart_mm": apart_mm}),) if apart_mm > CONTRARY_MM else ()
    )
    objection = OFF_MIDDLE.format(off_mm=away[index]) if past else ""
    return ChosenSlice(index, SliceConvention.MEDIAL_SPINE_APEX, reason, contrary, objection)

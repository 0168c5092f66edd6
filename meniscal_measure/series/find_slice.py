"""Finding a slice of a stack by the name a person gives it."""

from __future__ import annotations

import re

from meniscal_measure.errors import UsageError
from meniscal_measure.series.model import Stack
from meniscal_measure.slice_name import slice_name

INSTANCE = "instance:"
"""Prefix that distinguishes an Instance Number from a slice counted from the front."""
UID = re.compile(r"\d+(\.\d+)+")
NUMBER = re.compile(r"\d{1,12}")
"""A DICOM integer has at most 12 characters (PS3.5 6.2, IS)."""


def find_slice(stack: Stack, called: str) -> int:
    """Find a slice of a stack.

    Parameters
    ----------
    stack
        The stack.
    called
        "17" for the 17th slice from the front, "instance:7" for the image with Instance Number 7,
        or a SOP Instance UID.

    Returns
    -------
    int
        Its index from 0 in the order of the stack.

    Raises
    ------
    UsageError
        If there is no such slice, or more than one.

    Examples
    --------
    >>> find_slice(study.stacks[0], "1")
    0
    """
    called = called.strip()
    indices = range(len(stack.frames))
    if NUMBER.fullmatch(called):
        found = [i for i in indices if slice_name(stack.frames, i).number == int(called)]
    elif called.lower().startswith(INSTANCE) and NUMBER.fullmatch(called[len(INSTANCE) :]):
        number = int(called[len(INSTANCE) :])
        found = [i for i in indices if stack.frames[i].instance_number == number]
    elif UID.fullmatch(called):
        found = [i for i in indices if stack.frames[i].sop_instance_uid == called]
    else:
        raise UsageError(
            "{called:private} names no slice. Write 17 for the 17th slice from the front,"
            " instance:7 for the image with Instance Number 7, or a SOP Instance UID.",
            called=repr(called[:80]),
        )
    if len(found) != 1:
        raise _not_one(stack, called, len(found))
    return found[0]


def _not_one(stack: Stack, called: str, count: int) -> UsageError:
    first = slice_name(stack.frames, 0)
    known = sorted({n for f in stack.frames if (n := f.instance_number) is not None})
    numbers = f" and Instance Numbers {known[0]} to {known[-1]}" if known else ""
    return UsageError(
        "{what} called {called:private}. It has slices 1 to {count}, counted from {start}{numbers}."
        " Give one of these.",
        what=f"{count} slices of the series are" if count else "No slice of the series is",
        called=called,
        count=first.count,
        start=first.counted_from,
        numbers=numbers,
    )

"""What the Basic Application Level Confidentiality Profile does to each attribute.

The table is DICOM PS3.15 Table E.1-1 of 2026c as the package dicom-anonymizer carries it; only its
table is used. Its own program does not look into sequences, draws UIDs at random and keeps dates.
"""

from __future__ import annotations

from enum import Enum
from functools import cache

from pydicom.tag import BaseTag


class Action(Enum):
    """What happens to an attribute (PS3.15 Table E.1-1a).

    Where the standard leaves a choice by the type of the attribute (such as X/Z), the one that
    keeps the object valid whatever its type is taken: a dummy before empty, empty before removed.
    """

    DUMMY = "D"
    EMPTY = "Z"
    REMOVE = "X"
    REPLACE_UID = "U"


LISTS = {
    "X_TAGS": Action.REMOVE,
    "Z_TAGS": Action.EMPTY,
    "X_Z_TAGS": Action.EMPTY,
    "D_TAGS": Action.DUMMY,
    "Z_D_TAGS": Action.DUMMY,
    "X_D_TAGS": Action.DUMMY,
    "X_Z_D_TAGS": Action.DUMMY,
    "U_TAGS": Action.REPLACE_UID,
    "X_Z_U_STAR_TAGS": Action.REPLACE_UID,
}
"""The package's lists, each with the action on the attributes it names."""


@cache
def _table() -> tuple[dict[int, Action], tuple[tuple[int, int, Action], ...]]:
    """Single attributes, and repeating groups as (tag, mask, action)."""
    from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c as standard

    single: dict[int, Action] = {}
    repeating: list[tuple[int, int, Action]] = []
    for name, action in LISTS.items():
        for group, element, *mask in getattr(standard, name):
            tag = group << 16 | element
            if mask:
                repeating.append((tag, mask[0] << 16 | mask[1], action))
            else:
                single[tag] = action
    return single, tuple(repeating)


def action_on(tag: BaseTag) -> Action | None:
    """Say what the profile does to an attribute; None if it is not listed and stays.

    Examples
    --------
    >>> from pydicom.tag import Tag
    >>> action_on(Tag("PatientName")), action_on(Tag("SOPInstanceUID")), action_on(Tag("Rows"))
    (<Action.EMPTY: 'Z'>, <Action.REPLACE_UID: 'U'>, None)
    """
    if tag.is_private:
        return Action.REMOVE
    single, repeating = _table()
    if tag in single:
        return single[tag]
    matches = (action for start, mask, action in repeating if tag & mask == start & mask)
    return next(matches, None)

"""The body side of a stack: coded attributes, then what the user tells, and never a guess."""

from __future__ import annotations

import re
from collections.abc import Iterable

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import SideError
from meniscal_measure.series.attributes import Header
from meniscal_measure.series.model import Laterality, Stack

CODED_ATTRIBUTES = {
    "Laterality": "Laterality (0020,0060)",
    "ImageLaterality": "Image Laterality (0020,0062)",
    "FrameLaterality": "Frame Laterality (0020,9072)",
}
"""Where DICOM codes the side: PS3.3 C.7.3.1, C.7.6.1 and C.7.6.16.2.8."""

FREE_TEXT_ATTRIBUTES = (
    "BodyPartExamined",
    "SeriesDescription",
    "ProtocolName",
    "StudyDescription",
    "RequestedProcedureDescription",
    "PerformedProcedureStepDescription",
)
"""Where people write the side; asked in this order."""

_LEFT_WORDS = re.compile(
    r"\b(left|lt|links|gauche|sinistra|sinistro|izquierda|izquierdo|lknee|kneel|knee l|l knee)\b"
)
_RIGHT_WORDS = re.compile(
    r"\b(right|rt|rechts|droite?|destra|destro|derecha|derecho|rknee|kneer|knee r|r knee)\b"
)

_OTHER_CODES = {"B": " (both)", "U": " (unpaired)"}
"""What the remaining codes of PS3.3 C.7.3.1 and C.7.6.1 mean."""

CodedSide = tuple[str, str]
"""Keyword of a coded attribute and the code it holds."""

SideHint = tuple[Side | None, str]
"""Side that free text names, and the text."""


def coded_sides(header: Header) -> frozenset[CodedSide]:
    """Every side coded in the header of one frame: (attribute keyword, code)."""
    found = ((keyword, header.code(keyword)) for keyword in CODED_ATTRIBUTES)
    return frozenset((keyword, code) for keyword, code in found if code)


def laterality(coded: Iterable[CodedSide], side_hint: SideHint) -> Laterality:
    """Bring together what the frames of a stack code and what their free text hints at.

    Codes other than L and R ("B" both, "U" unpaired) leave the side unknown, and are remarked on.
    """
    told = sorted(coded)
    known = [(keyword, code) for keyword, code in told if code in set(Side)]
    other = ", ".join(
        f"{CODED_ATTRIBUTES[keyword]} says {code}{_OTHER_CODES.get(code, '')}"
        for keyword, code in told
        if code not in set(Side)
    )
    hint, hint_source = side_hint
    sides = {Side(code) for _, code in known}
    if len(sides) > 1:
        said = ", ".join(f"{CODED_ATTRIBUTES[keyword]} says {code}" for keyword, code in known)
        return Laterality(None, "contradictory", hint, hint_source, said, other)
    if not sides:
        return Laterality(None, "unknown", hint, hint_source, other_codes=other)
    sources = dict.fromkeys(CODED_ATTRIBUTES[keyword] for keyword, _ in known)
    return Laterality(sides.pop(), " and ".join(sources), hint, hint_source, other_codes=other)


def hinted_side(header: Header) -> SideHint:
    """Read the side that free text names first."""
    for keyword in FREE_TEXT_ATTRIBUTES:
        text = header.text(keyword)
        side = side_in_text(text)
        if side is not None:
            return side, f'{keyword} "{text}"'
    return None, ""


def side_in_text(text: str) -> Side | None:
    """Side a free text names; None when it names none or both.

    Examples
    --------
    >>> side_in_text("MR KNEE RT W/O CONTRAST")
    <Side.RIGHT: 'R'>
    >>> side_in_text("KNEES LEFT AND RIGHT") is None
    True
    """
    words = re.sub(r"[^\w]+|_", " ", text.lower())
    left, right = bool(_LEFT_WORDS.search(words)), bool(_RIGHT_WORDS.search(words))
    if left == right:
        return None
    return Side.LEFT if left else Side.RIGHT


def side_findings(found: Laterality) -> list[str]:
    """Say when free text or a code of another kind stands against the coded side."""
    findings = []
    if found.other_codes:
        sure = "" if found.side is None else f", beside {found.source}, which says {found.side}"
        findings.append(f"{found.other_codes}{sure}; make sure that the images show one knee only")
    if found.side is not None and found.hint not in {None, found.side}:
        findings.append(f"{found.source} says {found.side.word}, against {found.hint_source}")
    return findings


def resolve_side(stack: Stack, told: Side | None) -> Laterality:
    """Settle the side of a stack.

    Parameters
    ----------
    stack
        The stack to be measured.
    told
        The side the user gives, or None.

    Returns
    -------
    Laterality
        Coded side first, then the told one; otherwise unknown, with any hint kept.

    Raises
    ------
    SideError
        If coded attributes contradict each other or the told side.
    """
    found = stack.laterality
    series = f"series {stack.identity.series_number} ({stack.identity.series_description})"
    if found.conflict:
        raise SideError(
            f"The side of {series} is contradictory: {found.conflict}. Have the header corrected"
            " before measuring; medial and lateral would otherwise be exchanged."
        )
    if told is None or found.side is told:
        return found
    if found.side is not None:
        raise SideError(
            f"The side was given as {told.word}, but {found.source} of {series} says"
            f" {found.side.word}. Give the other side or have the header corrected."
        )
    return Laterality(told, "given by the user", found.hint, found.hint_source)

"""The body side of a stack: coded attributes, then what the user states, never a guess."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import replace

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import SideError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.sentences import Sentence
from meniscal_measure.series.attribute_places import TAGS
from meniscal_measure.series.attributes import Header
from meniscal_measure.series.model import Laterality, SideHint, Stack

CODED_ATTRIBUTES = {
    "Laterality": "Laterality (0020,0060)",
    "ImageLaterality": "Image Laterality (0020,0062)",
    "FrameLaterality": "Frame Laterality (0020,9072)",
}
"""Where DICOM codes the side: PS3.3 C.7.3.1, C.7.6.1 and C.7.6.16.2.8."""

FREE_TEXT_ATTRIBUTES = (
    *("BodyPartExamined", "SeriesDescription", "ProtocolName", "StudyDescription"),
    *("RequestedProcedureDescription", "PerformedProcedureStepDescription"),
    *("ScheduledProcedureStepDescription", "ReasonForTheRequestedProcedure"),
    *("StudyComments", "ImageComments", "CodeMeaning"),
)
"""Where people write the side, in the image or in an item of `TEXT_SEQUENCES`; asked in this order.
Patient Comments is not among them: they often name the other knee."""

TEXT_SEQUENCES = (
    *("AnatomicRegionSequence", "AnatomicRegionModifierSequence", "RequestAttributesSequence"),
    *("ProcedureCodeSequence", "RequestedProcedureCodeSequence", "PerformedProtocolCodeSequence"),
)
"""Sequences that say what was examined or asked for (DICOM PS3.3 C.7.6.16.2.8, 10-6 and C.7.2.1).
Their codes differ from one hospital to the next; what a code means is read like a text."""

_TEXT_HOLDERS = ("SpecificCharacterSet", "FrameAnatomySequence", *TEXT_SEQUENCES)
TEXT_TAGS = frozenset(TAGS[keyword] for keyword in (*_TEXT_HOLDERS, *FREE_TEXT_ATTRIBUTES))
"""Tags of all that decides which sides `hinted_sides` finds."""

_LEFT_WORDS = re.compile(
    r"\b(left|lt|links|linke(?!d\b)\w*|gauche|sinistr[aeo]|izq|izquierd[ao]|esquerd[ao]|vanster"
    r"|venstre|vase[nm]\w*|lew(y|a|e|ego|ej|ym)|stang(ul|a)?|bal terd|sol diz"
    r"|kolen\w* lev\w+|lev\w+ kolen\w*|лев\w+|αριστερ\w+)\b"
    r"|knee ?(left|lt|l)\b|leftknee|\bl ?knee\b|\bltknee\b|knie ?(links|li|l)\b|\b(li|l) ?knie\b"
    r"|ginocchio (sx|sin)\b|\bsx ginocchio|genou g\b|左|왼쪽|좌측"
)
_RIGHT_WORDS = re.compile(
    r"\b(right|rt|rechts|rechte(?!ck)\w*|droite?|destr[aeo]|derech[ao]|direit[ao]|hoger|høyre|højre"
    r"|hojre|hoyre|oikea\w*|praw(y|a|e|ego|ej|ym)|drept(ul)?|dreapta|jobb terd"
    r"|sag diz|kolen\w* prav\w+|prav\w+ kolen\w*|прав\w+|δεξι\w+)\b"
    r"|knee ?(right|rt|r)\b|rightknee|\br ?knee\b|\brtknee\b|knie ?(rechts|re|r)\b|\b(re|r) ?knie\b"
    r"|ginocchio (dx|dest)\b|\bdx ginocchio|rodilla der\b|genou d$|右|오른쪽|우측"
)
"""Words for a side in texts without capitals and accents, in the languages of Europe and East Asia;
what means something else by itself (dx: diagnosis) only beside the knee."""

CORRECTED = "corrected by the reader"
"""How the source of a side begins that a reader stated against what the images say."""

CodedSide = tuple[str, str]
"""Keyword of a coded attribute and the code it holds."""


def coded_sides(header: Header) -> frozenset[CodedSide]:
    """Every side coded in the header of one frame: (attribute keyword, code)."""
    found = ((name, code) for name in CODED_ATTRIBUTES for code in header.strings(name))
    return frozenset((name, code.upper()) for name, code in found if code)


def laterality(coded: Iterable[CodedSide], hints: tuple[SideHint, ...]) -> Laterality:
    """Bring together what the frames of a stack code and what their free text hints at.

    Codes other than L and R ("B" both, "U" unpaired) leave the side unknown.

    Examples
    --------
    >>> laterality([("Laterality", "L"), ("ImageLaterality", "R")], ()).conflict
    'Image Laterality (0020,0062) says R, Laterality (0020,0060) says L'
    """
    known = [(keyword, code) for keyword, code in sorted(coded) if code in set(Side)]
    sides = {Side(code) for _, code in known}
    if len(sides) > 1:
        said = ", ".join(f"{CODED_ATTRIBUTES[keyword]} says {code}" for keyword, code in known)
        return Laterality(None, "contradictory", hints, said)
    if not sides:
        return Laterality(None, "unknown", hints)
    sources = dict.fromkeys(CODED_ATTRIBUTES[keyword] for keyword, _ in known)
    return Laterality(sides.pop(), " and ".join(sources), hints)


def hinted_sides(header: Header) -> tuple[SideHint, ...]:
    """Read every side that free text names."""
    named = ((side_in_text(text), keyword, text) for keyword, text in _texts(header))
    return tuple(SideHint(side, keyword, text) for side, keyword, text in named if side)


def _texts(header: Header) -> Iterator[tuple[str, str]]:
    yield from ((keyword, header.text(keyword)) for keyword in FREE_TEXT_ATTRIBUTES)
    for sequence in TEXT_SEQUENCES:
        for item in header.items(sequence):
            yield from _texts(item)


def side_in_text(text: str) -> Side | None:
    """Side a free text names; None when it names none or both.

    Examples
    --------
    >>> side_in_text("MR KNEE RT W/O CONTRAST")
    <Side.RIGHT: 'R'>
    >>> side_in_text("KNEES LEFT AND RIGHT") is None
    True
    """
    letters = unicodedata.normalize("NFD", text.casefold())
    bare = "".join(letter for letter in letters if not unicodedata.combining(letter))
    words = re.sub(r"[^\w]+|_", " ", unicodedata.normalize("NFC", bare)).strip()
    left, right = bool(_LEFT_WORDS.search(words)), bool(_RIGHT_WORDS.search(words))
    if left == right:
        return None
    return Side.LEFT if left else Side.RIGHT


def code_findings(coded: Iterable[CodedSide]) -> list[Finding]:
    """Say where a code is that of no single side: B (both), U (unpaired) or none of DICOM's."""
    return [
        Finding(Code.SIDE_CODE_OF_NO_KNEE, {"attribute": CODED_ATTRIBUTES[keyword], "code": code})
        for keyword, code in sorted(coded)
        if code not in set(Side)
    ]


def hint_findings(settled: Laterality) -> list[Finding]:
    """Say what free text names against the side that counts; while none does, what it names."""
    first = {hint.side: hint for hint in reversed(settled.hints)}
    contrary = [hint for side, hint in sorted(first.items()) if side is not settled.side]
    findings = []
    for hint in contrary:
        said = {"attribute": hint.attribute, "text": hint.text}
        if settled.side is None:
            finding = Finding(Code.SIDE_HINTED, {**said, "side": hint.side.word})
        else:
            source = source_without_reason(settled.source)
            against = {"side": settled.side.word, "source": source}
            finding = Finding(Code.SIDE_AGAINST_TEXT, {**against, **said})
        findings.append(finding)
    return findings


def source_without_reason(source: str) -> str:
    """Say where a side comes from, without what a reader wrote about it.

    Examples
    --------
    >>> source_without_reason(f"{CORRECTED} (seen on the scout)")
    'corrected by the reader'
    """
    return CORRECTED if source.startswith(CORRECTED) else source


def corrected_side(stack: Stack, side: Side, source: str) -> Laterality:
    """Take the side that a reader gives against what the images say; `source` says why.

    Examples
    --------
    >>> corrected_side(study.stacks[0], Side.RIGHT, "seen on the scout").side
    <Side.RIGHT: 'R'>
    """
    return replace(stack.laterality, side=side, source=source, conflict="")


def resolve_side(stack: Stack, stated: Side | None) -> Laterality:
    """Settle the side of a stack.

    Parameters
    ----------
    stack
        The stack to be measured.
    stated
        The side the user states, or None.

    Returns
    -------
    Laterality
        Coded side first, then the stated one; otherwise unknown, with any hint kept.

    Raises
    ------
    SideError
        If coded attributes contradict each other or the stated side.

    Examples
    --------
    >>> resolve_side(study.stacks[0], None).side
    <Side.LEFT: 'L'>
    """
    found = stack.laterality
    identity = stack.identity
    named = {"number": str(identity.series_number), "description": identity.series_description}
    series = Sentence("series {number} ({description:private})", named)
    if found.conflict:
        raise SideError(
            "The side of {series} is contradictory: {conflict}. Have the header corrected"
            " before measuring; medial and lateral would otherwise be exchanged.",
            series=series,
            conflict=found.conflict,
        )
    if stated is None or found.side is stated:
        return found
    if found.side is not None:
        raise SideError(
            "The side was given as {stated}, but {source} of {series} says {side}. Give the other"
            " side or have the header corrected.",
            stated=stated.word,
            source=found.source,
            series=series,
            side=found.side.word,
        )
    return replace(found, side=stated, source="given by the user")

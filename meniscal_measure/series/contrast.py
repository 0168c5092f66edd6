"""What makes the contrast of a stack: coded attributes first, free text only as a last resort."""

from __future__ import annotations

import re

from meniscal_measure.series.attributes import Header
from meniscal_measure.series.model import Contrast, Weighting

SHORT_TR_MS = 1200.0
"""Spin-echo Repetition Time below which contrast is T1 (common practice, no source)."""

T1_LONGEST_TE_MS = 30.0
"""Echo Time up to which a short-TR spin echo is T1 weighted (common practice, no source)."""

T2_SHORTEST_TE_MS = 60.0
"""Echo Time from which a long-TR spin echo is T2 weighted; below it is proton-density or
intermediate weighted (common practice, no source)."""

FAT_NULL_TI_MS = (80.0, 280.0)
"""Inversion times that null fat between 0.5 and 3 T (common practice, no source)."""

_ACQUISITION_CONTRASTS = {
    "PROTON_DENSITY": Weighting.PROTON_DENSITY,
    "T1": Weighting.T1,
    "T2": Weighting.T2,
    "STIR": Weighting.T2,
    "T2_STAR": Weighting.GRADIENT_ECHO,
}
"""Acquisition Contrast (0008,9209), DICOM PS3.3 C.8.13.3.1.1, as far as it serves the knee."""

_SUPPRESSED_FAT = {"FAT", "FAT_AND_WATER"}
"""Values of Spectrally Selected Suppression (0018,9025) under which fat is dark."""

_DIXON_WATER = {"W", "WATER"}
"""Image Type values that vendors give to Dixon water images (common practice, no source)."""

_TEXT_ATTRIBUTES = ("SeriesDescription", "ProtocolName", "SequenceName", "PulseSequenceName")
"""Where people and scanners write the contrast; read where no number shows it."""

_TEXT_WEIGHTINGS = (
    (re.compile(r"\b(pd|pdw|proton ?density)(?=\b|fs|w|\d)"), Weighting.PROTON_DENSITY),
    (re.compile(r"\b(t2|t2w|stir|tirm)(?!\*)(?=\b|fs|w)"), Weighting.T2),
    (re.compile(r"\b(t1|t1w)(?=\b|fs|w)"), Weighting.T1),
    (re.compile(r"\b(gre|ge|flash|ffe|medic|dess|t2\*)"), Weighting.GRADIENT_ECHO),
)
"""Spellings of the weighting; the first match counts (common practice, no source)."""

_TEXT_FAT = re.compile(
    r"(\bfs\b|fs\b|fat ?sat|fat ?supp|\bspir\b|\bspair\b|\bstir\b|\btirm\b|\bwe\b|\bwater\b)"
)
"""Spellings of fat suppression (common practice, no source)."""


def contrast_of(header: Header) -> Contrast:
    """Read weighting and fat suppression, with the evidence for each in words.

    Examples
    --------
    >>> from pydicom.dataset import Dataset
    >>> image = Dataset()
    >>> image.ScanningSequence, image.RepetitionTime, image.EchoTime = "SE", "3000", "30"
    >>> contrast_of(Header(image)).evidence
    'SE, TR 3000 ms, TE 30 ms'
    """
    repetition_time_ms = header.number_if_legible("RepetitionTime")
    echo_time_ms = echo_time(header)
    weighting, why_weighting = (
        _coded_weighting(header)
        or _timed_weighting(header, repetition_time_ms, echo_time_ms)
        or _text_weighting(header)
        or (Weighting.UNKNOWN, "no attribute gives the weighting")
    )
    suppression = _coded_suppression(header) or _text_suppression(header)
    return Contrast(
        weighting=weighting,
        fat_suppressed=bool(suppression),
        evidence="; ".join(filter(None, (why_weighting, suppression))),
        repetition_time_ms=repetition_time_ms,
        echo_time_ms=echo_time_ms,
    )


def echo_time(header: Header) -> float | None:
    """Effective Echo Time, or Echo Time, in ms; None when neither is a number."""
    effective = header.number_if_legible("EffectiveEchoTime")
    return effective if effective is not None else header.number_if_legible("EchoTime")


def _coded_weighting(header: Header) -> tuple[Weighting, str] | None:
    contrast = header.code("AcquisitionContrast")
    if contrast in _ACQUISITION_CONTRASTS:
        return _ACQUISITION_CONTRASTS[contrast], f"AcquisitionContrast {contrast}"
    sequences = set(header.strings("ScanningSequence"))
    if "GR" in sequences and "SE" not in sequences:
        return Weighting.GRADIENT_ECHO, "ScanningSequence GR"
    if header.code("EchoPulseSequence") == "GRADIENT":
        return Weighting.GRADIENT_ECHO, "EchoPulseSequence GRADIENT"
    return None


def _timed_weighting(
    header: Header, repetition_time_ms: float | None, echo_time_ms: float | None
) -> tuple[Weighting, str] | None:
    if repetition_time_ms is None or echo_time_ms is None or repetition_time_ms <= 0:
        return None
    sequences = header.strings("ScanningSequence") or header.strings("EchoPulseSequence")
    evidence = (
        f"{'/'.join(sequences) or 'unnamed sequence'}, TR {repetition_time_ms:g} ms,"
        f" TE {echo_time_ms:g} ms"
    )
    if repetition_time_ms >= SHORT_TR_MS:
        t2 = echo_time_ms >= T2_SHORTEST_TE_MS
        return (Weighting.T2 if t2 else Weighting.PROTON_DENSITY), evidence
    return (Weighting.T1, evidence) if echo_time_ms <= T1_LONGEST_TE_MS else None


def _text_weighting(header: Header) -> tuple[Weighting, str] | None:
    for keyword in _TEXT_ATTRIBUTES:
        text = header.text(keyword)
        for pattern, weighting in _TEXT_WEIGHTINGS:
            if pattern.search(_plain(text)):
                return weighting, f'weighting only from free text: {keyword} "{text}"'
    return None


def _coded_suppression(header: Header) -> str:
    if "FS" in header.strings("ScanOptions"):
        return "ScanOptions FS"
    suppression = header.code("SpectrallySelectedSuppression")
    if suppression in _SUPPRESSED_FAT:
        return f"SpectrallySelectedSuppression {suppression}"
    if header.code("AcquisitionContrast") == "STIR":
        return "AcquisitionContrast STIR"
    water = _DIXON_WATER & {*header.strings("ImageType"), *header.strings("FrameType")}
    if water:
        return f"ImageType {water.pop()}, the water image of a fat-water separation"
    inversion_ms = header.number_if_legible("InversionTimes") or header.number_if_legible(
        "InversionTime"
    )
    if inversion_ms is not None and FAT_NULL_TI_MS[0] <= inversion_ms <= FAT_NULL_TI_MS[1]:
        return f"fat nulled by inversion, TI {inversion_ms:g} ms"
    return ""


def _text_suppression(header: Header) -> str:
    for keyword in _TEXT_ATTRIBUTES:
        text = header.text(keyword)
        if _TEXT_FAT.search(_plain(text)):
            return f'fat suppression only from free text: {keyword} "{text}"'
    return ""


def _plain(text: str) -> str:
    return re.sub(r"[^\w*]+|_", " ", text.lower())

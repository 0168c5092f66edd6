"""How values, decisions and conventions are put into words, the same in every output."""

from __future__ import annotations

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.decision import TIE_TOLERANCE_MM
from meniscal_measure.caliper.landmarks import Origin, SliceConvention
from meniscal_measure.caliper.reading import (
    AxisConvention,
    Conventions,
    Decision,
    Extrusion,
    Quantity,
    Reading,
    SliceReading,
    ThresholdRule,
)
from meniscal_measure.findings import Code, Severity
from meniscal_measure.geometry import Vector
from meniscal_measure.records.notice import NOTICE, UNVERIFIED_PLACED, UNVERIFIED_PROPOSED
from meniscal_measure.series.side import source_without_reason

NOT_MEASURED = "not measured"
MOST_NAMED = 4
"""Warnings named on a picture; more would push its other words off the paper."""

AXIS_WORDS = {
    AxisConvention.RIM_TO_RIM: "line through both plateau rims",
    AxisConvention.IMAGE_VERTICAL: "perpendicular to the image vertical",
    AxisConvention.LOCAL_TANGENT: "tangent of the compartment's own plateau",
}

SLICE_WORDS = {
    SliceConvention.MEDIAL_SPINE_APEX: "apex of the medial tibial spine",
    SliceConvention.LARGEST_MEDIAL_SPINE: "largest medial tibial spine",
    SliceConvention.PLATEAU_MIDPOINT: "midpoint of the antero-posterior plateau",
    SliceConvention.MAXIMUM_EXTRUSION: "largest extrusion (over-estimates)",
    SliceConvention.CHOSEN_BY_READER: "chosen by the reader",
}


def expanded_mm(extrusion: Extrusion) -> float:
    """U95: half the width of the 95 % interval, mm.

    Examples
    --------
    >>> round(expanded_mm(reading.medial.extrusion), 2)
    0.59
    """
    low, high = extrusion.interval95_mm
    return (high - low) / 2


def value_words(extrusion: Extrusion) -> str:
    """Write the extrusion with its expanded uncertainty.

    Examples
    --------
    >>> value_words(reading.medial.extrusion)
    '4.50 ± 0.59 mm'
    """
    return f"{extrusion.extrusion_mm:.2f} ± {expanded_mm(extrusion):.2f} mm"


def values_note(reading: Reading) -> str:
    """Say what the sign ± means, and what it assumes.

    Examples
    --------
    >>> values_note(reading)
    'Values: extrusion ± U95.'
    """
    sd_mm = assumed_sd_mm(reading)
    assumed = "" if sd_mm is None else f" (placement SD {sd_mm:.1f} mm assumed)"
    return f"Values: extrusion ± U95{assumed}."


def assumed_sd_mm(reading: Reading) -> float | None:
    """Return the placement SD that was assumed, mm; None if the landmark file states one.

    Examples
    --------
    >>> assumed_sd_mm(reading) is None
    True
    """
    values = [f.values["sd_mm"] for f in reading.warnings if f.code is Code.ASSUMED_PLACEMENT_SD]
    return float(values[0]) if values else None


def interval_words(extrusion: Extrusion) -> str:
    """Write the 95 % interval.

    Examples
    --------
    >>> interval_words(reading.medial.extrusion)
    '3.91 to 5.09 mm'
    """
    low, high = extrusion.interval95_mm
    return f"{low:.2f} to {high:.2f} mm"


def threshold_words(conventions: Conventions) -> str:
    """Write the plain rule, such as `> 3 mm`.

    Examples
    --------
    >>> threshold_words(Conventions())
    '> 3 mm'
    """
    sign = ">" if conventions.threshold_rule is ThresholdRule.ABOVE else "≥"
    return f"{sign} {conventions.threshold_mm:g} mm"


def rule_words(conventions: Conventions) -> str:
    """Write the threshold rule in full, with what a value of exactly the threshold counts as.

    Examples
    --------
    >>> rule_words(Conventions(threshold_rule=ThresholdRule.AT_OR_ABOVE))
    '≥ 3 mm, exactly 3 counts as above'
    """
    above = conventions.threshold_rule is ThresholdRule.ABOVE
    counts = "is not above" if above else "counts as above"
    return f"{threshold_words(conventions)}, exactly {conventions.threshold_mm:g} {counts}"


def flag_words(extrusion: Extrusion, conventions: Conventions) -> str:
    """Write the outcome of the plain rule on the un-rounded value.

    Examples
    --------
    >>> flag_words(reading.medial.extrusion, Conventions())
    'FLAGGED > 3 mm'
    """
    return f"FLAGGED {threshold_words(conventions)}" if extrusion.flag else "not flagged"


def decision_words(extrusion: Extrusion, conventions: Conventions) -> str:
    """Write the comparison that takes the uncertainty into account.

    Examples
    --------
    >>> decision_words(reading.medial.extrusion, Conventions())
    'above 3 mm'
    """
    limit = f"{conventions.threshold_mm:g} mm"
    return {
        Decision.ABOVE: f"above {limit}",
        Decision.NOT_ABOVE: f"not above {limit}",
        Decision.UNDECIDED: f"undecided: {limit} is within the uncertainty",
    }[extrusion.decision]


def threshold_remark(extrusion: Extrusion, conventions: Conventions) -> str | None:
    """Say so when the printed value cannot show on which side of the threshold it lies.

    Examples
    --------
    >>> from dataclasses import replace
    >>> threshold_remark(replace(reading.medial.extrusion, extrusion_mm=3.0012), Conventions())
    'un-rounded 3.0012 mm: flagged'
    """
    value, limit = extrusion.extrusion_mm, conventions.threshold_mm
    outcome = "flagged" if extrusion.flag else "not flagged"
    if abs(value - limit) <= TIE_TOLERANCE_MM:
        return f"exactly {limit:.1f} mm: {outcome} by the rule {threshold_words(conventions)}"
    if f"{value:.2f}" == f"{limit:.2f}":
        return f"un-rounded {value:.4f} mm: {outcome}"
    return None


def probability_words(extrusion: Extrusion) -> str:
    """Write the probability of being above the threshold, never printed as 0 or 1.

    Examples
    --------
    >>> probability_words(reading.medial.extrusion)
    '> 0.99'
    """
    probability = extrusion.probability_above_threshold
    if probability < 0.01:
        return "< 0.01"
    return "> 0.99" if probability > 0.99 else f"{probability:.2f}"


def length_words(quantity: Quantity | None) -> str:
    """Write a length with its standard uncertainty.

    Examples
    --------
    >>> length_words(Quantity(9.53, 0.287)), length_words(None)
    ('9.5 mm (u 0.29)', 'not measured')
    """
    return NOT_MEASURED if quantity is None else f"{quantity.value:.1f} mm (u {quantity.u:.2f})"


def fraction_words(quantity: Quantity | None) -> str:
    """Write a fraction as a percentage with its standard uncertainty.

    Examples
    --------
    >>> fraction_words(Quantity(0.5504, 0.026))
    '55.0 % (u 2.6)'
    """
    if quantity is None:
        return NOT_MEASURED
    return f"{100 * quantity.value:.1f} % (u {100 * quantity.u:.1f})"


def side_words(reading: Reading) -> str:
    """Write the side of the knee and where it was read, as pictures may show it.

    Examples
    --------
    >>> side_words(reading)
    'right knee (side from Laterality (0020,0060))'
    """
    side, source = reading.source.side, source_without_reason(reading.source.side_source)
    if side is not None:
        codes = {found.code for found in reading.warnings}
        against = ", AGAINST THE TEXT OF THE IMAGES" if Code.SIDE_AGAINST_TEXT in codes else ""
        return f"{side.word} knee (side from {source}{against})"
    names = (
        "compartments are named by image side"
        if Compartment.IMAGE_LEFT in reading.named_compartments
        else "medial and lateral are as the landmarks were named, not checked"
    )
    return f"SIDE UNKNOWN ({source}): {names}"


def knee_words(reading: Reading) -> str:
    """Write the side of the knee as a heading has it.

    Examples
    --------
    >>> knee_words(reading)
    'right knee'
    """
    side = reading.source.side
    return "SIDE UNKNOWN" if side is None else f"{side.word} knee"


def status_words(reading: Reading) -> str:
    """Say whether a person has confirmed the landmarks.

    Examples
    --------
    >>> status_words(reading)
    'PROPOSED, NOT VERIFIED: a person must confirm the landmarks before use'
    """
    if reading.verified:
        return f"verified by {reading.verified_by or 'a reader (name left out)'}"
    proposed, by_hand = _landmark_names(reading.measured)
    if not proposed:
        return UNVERIFIED_PLACED
    confidence = reading.proposal_confidence
    said = [f"{', '.join(by_hand)} placed by hand, the others proposed"] if by_hand else []
    if confidence is not None:
        said.append(f"confidence {confidence:.2f}{' before that' if by_hand else ''}")
    return f"{UNVERIFIED_PROPOSED} ({'; '.join(said)})" if said else UNVERIFIED_PROPOSED


def _landmark_names(measured: SliceReading) -> tuple[list[str], list[str]]:
    """Names of the landmarks the program proposed, and of those a person placed."""
    names: tuple[list[str], list[str]] = ([], [])
    for compartment, found in measured.compartments.items():
        for landmark, placed in found.landmarks.items():
            name = f"{compartment.words} {landmark.value.replace('_', ' ')}"
            names[placed.origin is not Origin.PROPOSED].append(name)
    return names


def slice_words(reading: Reading) -> str:
    """Say which slice was measured and where it lies.

    Examples
    --------
    >>> slice_words(reading).split(", ")[1:3]
    ['slice 4 of 7 from the front', '+14.0 mm along the normal']
    """
    measured = reading.measured
    name = reading.slice_name(measured.slice_index)
    return (
        f"{name or reading.slice_number(measured.slice_index)},"
        f" {measured.position_mm:+.1f} mm along the normal,"
        f" centre {patient_words(measured.centre_mm)}"
    )


def short_slice_words(reading: Reading, index: int) -> str:
    """Name a slice where there is little room.

    Examples
    --------
    >>> short_slice_words(reading, 3)
    'slice 4, image 43'
    """
    name = reading.slice_name(index)
    return reading.slice_number(index) if name is None else name.short


def patient_words(point_mm: Vector) -> str:
    """Write a patient position with its direction letters, such as `L 2.0 P 5.1 F 3.0 mm`.

    Examples
    --------
    >>> patient_words((2.0, 5.1, -3.0))
    'L 2.0 P 5.1 F 3.0 mm'
    """
    letters = (("L", "R"), ("P", "A"), ("H", "F"))
    parts = (
        f"{positive if value >= 0 else negative} {abs(value):.1f}"
        for value, (positive, negative) in zip(point_mm, letters, strict=True)
    )
    return " ".join(parts) + " mm"


def convention_words(reading: Reading) -> str:
    """Name axis, slice and threshold conventions: readings compare only when these agree.

    Examples
    --------
    >>> convention_words(reading).split("; ")[0]
    'axis rim_to_rim (line through both plateau rims)'
    """
    return (
        f"axis {reading.conventions.axis.value} ({AXIS_WORDS[reading.conventions.axis]});"
        f" slice {reading.conventions.slice.value} ({SLICE_WORDS[reading.conventions.slice]});"
        f" threshold {rule_words(reading.conventions)}"
    )


def warning_words(reading: Reading) -> str:
    """Name the warnings of a reading where there is no room for their sentences.

    Examples
    --------
    >>> warning_words(reading)
    'WARNINGS, in full in the report: no neighbour.'
    """
    warned = [found.code.word for found in reading.warnings if found.severity is Severity.WARNING]
    names = [name.replace("_", " ") for name in dict.fromkeys(warned)]
    if not names:
        return ""
    more = f"; {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    named = "; ".join(names[:MOST_NAMED])
    return f"WARNINGS, in full in the report: {named}{more}."


def foot_words(reading: Reading) -> str:
    """Write the foot of a picture: status, warnings, conventions and the safety notice.

    Examples
    --------
    >>> foot_words(reading).endswith(NOTICE)
    True
    """
    parts = (
        f"{status_words(reading)}.",
        warning_words(reading),
        f"Conventions: {convention_words(reading)}.",
        values_note(reading),
        NOTICE,
    )
    return " ".join(filter(None, parts))

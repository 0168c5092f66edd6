"""The coded concepts of the objects we write: standard codes, and our own where there is none.

No code for meniscal extrusion stands in the DICOM dictionaries (PS3.16), so those concepts are
coded under `SCHEME`, a private coding scheme as PS3.16 section 8 allows (designators beginning
with 99). The table below is its documentation; codes are never given another meaning.
"""

from __future__ import annotations

from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Decision, ThresholdRule
from meniscal_measure.findings import Severity
from meniscal_measure.knee.answers import RootSign, Seen
from meniscal_measure.knee.quantity import Basis

SCHEME = "99MENISCAL"
SCHEME_NAME = "Concepts of meniscal extrusion measurement"


def _own(value: str, meaning: str) -> Code:
    return Code(value, SCHEME, meaning)


EXTRUSION = _own("EXT01", "Meniscal extrusion")
BODY_WIDTH = _own("EXT02", "Width of the meniscal body")
OVERLAP = _own("EXT03", "Overlap of the meniscal body and the tibial plateau")
RELATIVE_EXTRUSION = _own("EXT04", "Extrusion over width of the meniscal body")
COVERAGE = _own("EXT05", "Overlap over width of the compartment's plateau")
EXTRUSION_OVER_PLATEAU = _own("EXT06", "Extrusion over width of the tibial plateau")
PLATEAU_WIDTH = _own("EXT07", "Width of the tibial plateau from rim to rim")
STANDARD_UNCERTAINTY = _own("EXT08", "Standard uncertainty")
PROBABILITY_ABOVE = _own("EXT09", "Probability that the true extrusion is above the threshold")
THRESHOLD = _own("EXT10", "Threshold of extrusion")
CONFIDENCE = _own("EXT11", "Confidence of the program in the landmarks it proposed")
DECISION = _own("EXT20", "Comparison with the threshold within the uncertainty")
FLAG = _own("EXT21", "Extrusion flagged by the plain threshold rule")
THRESHOLD_RULE = _own("EXT22", "Threshold rule")
SLICE_CONVENTION = _own("EXT23", "Convention of the slice")
LANDMARK_STATUS = _own("EXT24", "Status of the landmarks")
READING_RECORD = _own("EXT30", "Record of the reading as JSON")
NOTICE_OF_USE = _own("EXT31", "Notice of use")
SEVERITIES = {
    Severity.WARNING: _own("EXT32", "Warning about the measurement"),
    Severity.NOTE: _own("EXT33", "Note on the measurement"),
}

FLAGGED = _own("VAL01", "Flagged")
NOT_FLAGGED = _own("VAL02", "Not flagged")
VERIFIED = _own("VAL03", "Verified by a reader")
PROPOSED = _own("VAL04", "Proposed by the program, not verified")
PLACED = _own("VAL05", "Placed, not verified")

DECISIONS = {
    Decision.ABOVE: _own("VAL10", "Above the threshold"),
    Decision.NOT_ABOVE: _own("VAL11", "Not above the threshold"),
    Decision.UNDECIDED: _own("VAL12", "Undecided within the uncertainty"),
}
THRESHOLD_RULES = {
    ThresholdRule.ABOVE: _own("VAL20", "Significant when greater than the threshold"),
    ThresholdRule.AT_OR_ABOVE: _own("VAL21", "Significant when at or above the threshold"),
}
AXES = {
    AxisConvention.RIM_TO_RIM: _own("AXI01", "Along the line through both plateau rims"),
    AxisConvention.IMAGE_VERTICAL: _own("AXI02", "Perpendicular to the image vertical"),
    AxisConvention.LOCAL_TANGENT: _own("AXI03", "Along the compartment's own plateau"),
}
SLICES = {
    SliceConvention.MEDIAL_SPINE_APEX: _own("SLI01", "Apex of the medial tibial spine"),
    SliceConvention.LARGEST_MEDIAL_SPINE: _own("SLI02", "Largest medial tibial spine"),
    SliceConvention.PLATEAU_MIDPOINT: _own("SLI03", "Midpoint of the antero-posterior plateau"),
    SliceConvention.MAXIMUM_EXTRUSION: _own("SLI04", "Largest extrusion"),
    SliceConvention.CHOSEN_BY_READER: _own("SLI05", "Chosen by the reader"),
}

KNEE_MEASURES = {
    "medial extrusion": EXTRUSION,
    "lateral extrusion": EXTRUSION,
    "gap of the cleft": _own("KNE01", "Gap of a meniscal cleft"),
    "distance of the tear from": _own("KNE02", "Distance of a tear from the root attachment"),
    "signal of the horn": _own("KNE03", "Signal of the horn, root slice over its neighbours"),
    "dark area of the horn on the": _own("KNE04", "Dark area of the horn on the root slice"),
    "dark area of the horn on its": _own("KNE05", "Dark area of the horn beside the root slice"),
    "height of the triangle": _own("KNE06", "Height at the free edge over the largest height"),
    "signal of the marrow": _own("KNE07", "Signal of marrow, footprint over reference"),
    "posterior extrusion": _own("KNE08", "Posterior extrusion, sagittal"),
    "anterior extrusion": _own("KNE09", "Anterior extrusion, sagittal"),
    "centre behind": _own("KNE10", "Predicted root centre behind the apex of the eminence"),
    "centre in front of": _own("KNE11", "Predicted root centre in front of the apex"),
    "centre lateral of the apex": _own("KNE12", "Predicted root centre lateral of the apex"),
    "centre medial of the apex": _own("KNE13", "Predicted root centre medial of the apex"),
    "centre lateral of the cartilage": _own("KNE14", "Root centre lateral of the cartilage margin"),
    "centre from the posterior": _own("KNE15", "Root centre from the posterior cruciate margin"),
    "distance between the published": _own("KNE16", "Distance between published root centres"),
    "tunnel length": _own("KNE20", "Length of a tibial tunnel"),
    "tunnel angle to the plateau": _own("KNE21", "Angle of a tibial tunnel to the plateau"),
    "tunnel angle to the sagittal": _own("KNE22", "Angle of a tunnel to the sagittal plane"),
    "bone between tunnel wall": _own("KNE23", "Bone between a tunnel and the plateau surface"),
    "bone between the tunnels": _own("KNE24", "Bone between two tunnels"),
    "tunnel aperture": _own("KNE25", "Distance of a tunnel's aperture from the root centre"),
    "medial joint space": _own("KNE30", "Width of the medial joint space, lying"),
    "lateral joint space": _own("KNE31", "Width of the lateral joint space, lying"),
    "posterior slope of the medial": _own("KNE32", "Posterior slope of the medial plateau"),
    "posterior slope of the lateral": _own("KNE33", "Posterior slope of the lateral plateau"),
    "change of medial": _own("KNE40", "Change of medial extrusion"),
    "change of lateral": _own("KNE41", "Change of lateral extrusion"),
    "distance of the follow-up": _own("KNE42", "Distance of the slice from that of the baseline"),
    "angle between the slices": _own("KNE43", "Angle between the slices of two examinations"),
    "hip-knee-ankle": _own("KNE50", "Hip-knee-ankle angle"),
    "varus of the leg": _own("KNE51", "Varus of the leg"),
    "mechanical lateral distal": _own("KNE52", "Mechanical lateral distal femoral angle"),
    "medial proximal tibial": _own("KNE53", "Medial proximal tibial angle"),
    "joint line convergence": _own("KNE54", "Joint line convergence angle"),
    "mechanical axis deviation": _own("KNE55", "Mechanical axis deviation"),
}
"""What a number of a case is, by how its name begins: none of these stands in the dictionaries at
hand. The measurement itself is coded by `QUANTITIES`."""
KNEE_MEASURE = _own("KNE00", "Measurement of a knee case")
"""Of a number that is not in `KNEE_MEASURES`; its name stands in the tracking identifier."""

QUANTITIES = {
    "mm": (Code("121206", "DCM", "Distance"), codes.UCUM.Millimeter),
    "mm2": (Code("42798000", "SCT", "Area"), codes.UCUM.SquareMillimeter),
    "deg": (Code("1483009", "SCT", "Angle"), codes.UCUM.Degree),
    "%": (Code("118586006", "SCT", "Ratio"), codes.UCUM.Percent),
    "1": (Code("118586006", "SCT", "Ratio"), Code("{ratio}", "UCUM", "ratio")),
}
"""Standard concept and unit of a measurement, by the unit a case gives it in."""

ROOT_SIGNS = {
    RootSign.GHOST: _own("SGN01", "Ghost sign of the posterior horn, sagittal"),
    RootSign.CLEFT: _own("SGN02", "Cleft sign of a root"),
    RootSign.RADIAL: _own("SGN03", "Radial defect of a root, axial"),
    RootSign.TRUNCATION: _own("SGN04", "Truncated triangle"),
    RootSign.MARROW_OEDEMA: _own("SGN05", "Marrow oedema at the footprint of a root"),
    RootSign.GIRAFFE_NECK: _own("SGN06", "Giraffe neck shape, coronal"),
    RootSign.OCARINA: _own("SGN07", "Condensed circles in the horn (ocarina), sagittal"),
    RootSign.EXTRUSION: EXTRUSION,
}
SEEN = {
    Seen.PRESENT: Code("52101004", "SCT", "Present"),
    Seen.ABSENT: Code("272519000", "SCT", "Absent"),
    Seen.UNCERTAIN: Code("64957009", "SCT", "Uncertain"),
}
BASIS = _own("KNE60", "What the measurement rests on")
BASES = {
    Basis.PROPOSED: PROPOSED,
    Basis.PIXELS: _own("VAL30", "Pixels at marked places"),
    Basis.READER: _own("VAL31", "Landmarks that a reader placed"),
    Basis.PUBLISHED: _own("VAL32", "Published figures"),
    Basis.ENTERED: _own("VAL33", "Entered by a person"),
}
CASE_RECORD = _own("KNE61", "Record of the case as JSON")
REMARK = _own("KNE62", "Remark on the measurements of a knee case")
KNEE_JOINT = Code("49076000", "SCT", "Knee joint")

MENISCUS = Code("74135004", "SCT", "Meniscus")
"""CID 7151, with laterality and topographical modifier: a single code for the medial meniscus is
not in the dictionaries at hand."""
MODIFIERS = {
    Compartment.MEDIAL: Code("255561001", "SCT", "Medial"),
    Compartment.LATERAL: Code("49370004", "SCT", "Lateral"),
}
"""CID 2 Anatomic Modifier. Image left and right are not anatomical and get no modifier."""
SIDES = {Side.LEFT: Code("7771000", "SCT", "Left"), Side.RIGHT: Code("24028007", "SCT", "Right")}
"""CID 244 Laterality."""
KNEE_MRI = _own("PRC01", "Magnetic resonance imaging of the knee")
"""Procedure Reported: the dictionaries at hand hold no code for the plain examination."""

UPPER_UNCERTAINTY = Code("371886008", "SCT", "+, range of upper measurement uncertainty")
LOWER_UNCERTAINTY = Code("371885007", "SCT", "-, range of lower measurement uncertainty")
"""TID 310 Measurement Properties."""

MILLIMETRE = codes.UCUM.Millimeter
RATIO = Code("{ratio}", "UCUM", "ratio")
"""Unit of the quotients of two lengths (CID 7181)."""
NO_UNIT = codes.UCUM.NoUnits

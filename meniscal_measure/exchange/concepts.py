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

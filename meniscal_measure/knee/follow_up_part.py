"""The follow-up as a part of the case."""

from __future__ import annotations

from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import FollowUp
from meniscal_measure.knee.named_landmarks import traced_slice
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, Visit


def follow_up_part(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> CasePart:
    """Give the follow-up, as `compared` returns it of the two examinations, as a part."""
    where = tuple(
        traced_slice(item.stack, found.compared[visit], visit)
        for item, visit in ((baseline, Visit.BASELINE), (follow_up, Visit.FOLLOW_UP))
    )
    seen = baseline.reading.verified and follow_up.reading.verified
    basis = Basis.READER if seen else Basis.PROPOSED
    quantities, remarks = [], []
    for name, one in found.compartments.items():
        change = one.change
        quantities.append(
            TracedQuantity(
                f"change of {name.words} extrusion", change.value, "mm", change.u, basis, where,
                f"{one.follow_up_mm:.2f} mm at follow-up less {one.baseline_mm:.2f} mm at baseline",
            )
        )  # fmt: skip
        remarks.append(
            f"{name.words.capitalize()} extrusion: {change.verdict} (smallest detectable change"
            f" {change.detectable:.2f} mm)."
        )
    error = found.registration
    quantities += [
        TracedQuantity(
            "distance of the follow-up's slice from the same place in the bone", found.offset_mm,
            "mm", error.error_mm, Basis.PIXELS, where, "rigid registration of the proximal tibia",
        ),
        TracedQuantity(
            "angle between the slices of both examinations", found.tilt_deg,
            "deg", error.error_deg, Basis.PIXELS, where, "rigid registration of the proximal tibia",
        ),
    ]  # fmt: skip
    figures = published()
    readers = figures.reader_error
    detectable = (
        f"Smallest detectable change {readers.note} ({figures.source[readers.source].words})."
    )
    return CasePart("Follow-up", tuple(quantities), (*remarks, detectable, *found.remarks))

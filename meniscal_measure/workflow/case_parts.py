"""The sections of a case, each from the landmarks and readings that are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.errors import LandmarkError
from meniscal_measure.knee.answers import ADULT_YEARS, Answers, Root
from meniscal_measure.knee.candidate import Fact
from meniscal_measure.knee.footprint import (
    PredictedCentre,
    centre_landmark,
    distance_to_centre,
    footprint_quantities,
    predicted_centres,
)
from meniscal_measure.knee.named_landmarks import (
    KneeLandmark,
    LandmarkSpace,
    SpatialLandmark,
    landmark_on,
    traced_slice,
)
from meniscal_measure.knee.pairing import KneeIdentity, dicom_date
from meniscal_measure.knee.published import Published
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity, Visit
from meniscal_measure.knee.root_signs import sign_support
from meniscal_measure.knee.tibial_axes import TibialAxes, tibial_axes
from meniscal_measure.knee.topics import ON_RADIOGRAPHS
from meniscal_measure.knee.tunnel import distance_to_other_tunnel, tunnel_quantities
from meniscal_measure.report.words import decision_words
from meniscal_measure.workflow.case_studies import VisitImages
from meniscal_measure.workflow.knee_reading import KneeReading

RIMS = {
    Compartment.MEDIAL: KneeLandmark.MEDIAL_PLATEAU_RIM,
    Compartment.LATERAL: KneeLandmark.LATERAL_PLATEAU_RIM,
}


@dataclass(frozen=True, eq=False)
class RootSpace:
    """One frame of reference: its landmarks, the tibia's directions, the predicted centres."""

    landmarks: LandmarkSpace
    axes: TibialAxes
    centres: tuple[PredictedCentre, ...]


def root_spaces(
    spaces: Mapping[str, LandmarkSpace], images: VisitImages, root: Root, figures: Published
) -> dict[str, RootSpace]:
    """Predict the centre of the root in each frame of reference."""
    found = {}
    for uid, space in spaces.items():
        axes = tibial_axes(space, images.side)
        centres = tuple(predicted_centres(root.value, space, axes, figures))
        found[uid] = RootSpace(space, axes, centres)
    return found


def directed(spaces: Sequence[RootSpace]) -> list[tuple[LandmarkSpace, TibialAxes]]:
    """Give the landmarks of each frame of reference with the directions of the tibia in it."""
    return [(space.landmarks, space.axes) for space in spaces]


def extrusion_part(knee: KneeReading, visit: Visit) -> CasePart:
    """List the extrusion of both menisci."""
    reading = knee.reading
    where = (traced_slice(knee.stack, reading.measured.slice_index, visit),)
    proposed = reading.proposal_confidence is not None and not reading.verified
    basis = Basis.PROPOSED if proposed else Basis.READER
    quantities = [
        TracedQuantity(
            f"{name.words} extrusion", found.extrusion.extrusion_mm, "mm", found.extrusion.u_mm,
            basis, where, f"axis {reading.conventions.axis.value.replace('_', ' ')}",
        )
        for name, found in reading.measured.compartments.items()
    ]  # fmt: skip
    remarks = [
        f"{name.words.capitalize()}: {decision_words(found.extrusion, reading.conventions)}."
        for name, found in reading.measured.compartments.items()
    ]
    if proposed:
        remarks.append("Landmarks of the extrusion are proposed by the program, NOT VERIFIED.")
    remarks += [
        f"Warning: {found.words(identifiers=False, slice_name=reading.slice_number)}"
        for found in reading.warnings
    ]
    return CasePart(f"Extrusion, {visit.words}", tuple(quantities), tuple(remarks))


def rims_of(knee: KneeReading, visit: Visit) -> list[SpatialLandmark]:
    """Take the plateau rims of a reading, so that nobody is asked for them again."""
    measured = knee.reading.measured
    return [
        landmark_on(
            knee.stack, measured.slice_index, found.landmark_pixels[Landmark.RIM],
            RIMS[name].value, sd_mm=found.landmarks[Landmark.RIM].sd_mm, visit=visit,
        )
        for name, found in measured.compartments.items()
        if name in RIMS
    ]  # fmt: skip


def placed_landmarks(
    images: VisitImages, knee: KneeReading | None, answers: Answers
) -> list[SpatialLandmark]:
    """Gather the landmarks of a visit: those answered, and the rims of its reading.

    Raises
    ------
    LandmarkError
        If one lies on no slice of the study, or off its image.
    """
    own = [
        images.placed(answer)
        for answer in answers.landmark
        if answer.visit is images.visit and answer.name not in ON_RADIOGRAPHS
    ]
    names = {landmark.name for landmark in own}
    rims = [] if knee is None else rims_of(knee, images.visit)
    return [*own, *(rim for rim in rims if rim.name not in names)]


def footprint_part(spaces: Sequence[RootSpace], root: Root) -> CasePart:
    """List the predicted centres of the root, and how the other published distances agree."""
    quantities: list[TracedQuantity] = []
    remarks: list[str] = []
    gaps: list[str] = []
    for space in spaces:
        quantities += footprint_quantities(space.centres, space.landmarks, space.axes)
        for centre in space.centres:
            unknown = "" if centre.spread_is_known else "; its spread is not known to us"
            remarks.append(
                f"{centre.source.words}{unknown}.{centre.offset.area_words} Directions:"
                f" {space.axes.source}; {centre.level}."
            )
    if not quantities:
        gaps.append(
            "The footprint is not predicted: place the apex of the eminence beside the root, on a"
            " series that shares its frame of reference with what it is to be compared with."
        )
    title = f"Footprint of the {root.words}, predicted"
    return CasePart(title, tuple(quantities), tuple(dict.fromkeys(remarks)), tuple(gaps))


def tunnel_part(spaces: Sequence[RootSpace], answers: Answers, figures: Published) -> CasePart:
    """Describe the planned tunnel, others beside it, and where a drilled one opens."""
    quantities: list[TracedQuantity] = []
    remarks: list[str] = []
    for space in spaces:
        quantities += _planned(space, answers, remarks)
        quantities += _drilled(space, figures, remarks)
    gaps = () if quantities else (
        "No tunnel is planned: place tunnel_entry, in one frame of reference with the apex or with"
        " tunnel_exit.",
    )  # fmt: skip
    return CasePart("Tunnel", tuple(quantities), tuple(remarks), gaps)


def _planned(space: RootSpace, answers: Answers, remarks: list[str]) -> list[TracedQuantity]:
    marks, diameter_mm = space.landmarks, answers.tunnel.diameter_mm
    entry = marks.first(KneeLandmark.TUNNEL_ENTRY)
    if entry is None:
        return []
    end = marks.first(KneeLandmark.TUNNEL_EXIT) or marks.first(KneeLandmark.ROOT_ATTACHMENT)
    if end is None and space.centres:
        known = [centre for centre in space.centres if centre.spread_is_known]
        target = (known or list(space.centres))[0]
        end = centre_landmark(target, entry)
        unknown = "" if known else " Its spread is not known, so u is too small."
        remarks.append(f"The tunnel ends at the centre after {target.source.words}.{unknown}")
    if end is None:
        return []
    found = list(tunnel_quantities(entry, end, space.axes, diameter_mm))
    if end.name not in set(KneeLandmark):
        found = [replace(quantity, basis=Basis.PUBLISHED) for quantity in found]
    first = marks.first(KneeLandmark.OTHER_TUNNEL_ENTRY)
    last = marks.first(KneeLandmark.OTHER_TUNNEL_EXIT)
    if first is not None and last is not None:
        if diameter_mm is None or answers.tunnel.other_diameter_mm is None:
            raise LandmarkError(
                "Another tunnel is placed, but not how wide both are. Give diameter_mm and"
                " other_diameter_mm under [tunnel]."
            )
        diameters = (diameter_mm, answers.tunnel.other_diameter_mm)
        found.append(distance_to_other_tunnel((entry, end), (first, last), diameters))
    return found


def _drilled(space: RootSpace, figures: Published, remarks: list[str]) -> list[TracedQuantity]:
    aperture = space.landmarks.first(KneeLandmark.TUNNEL_APERTURE)
    if aperture is None:
        return []
    accuracy = figures.surgical_accuracy
    reached = " and ".join(f"{value:g}" for value in accuracy.distance_mm)
    remarks.append(
        f"Published: {reached} mm, {accuracy.note} ({figures.source[accuracy.source].words})."
    )
    return [
        distance_to_centre(
            aperture, centre, space.axes,
            f"tunnel aperture to the centre, {centre.source.short}",
        )
        for centre in space.centres
    ]  # fmt: skip


def later_root_part(
    spaces: Sequence[RootSpace], answers: Answers, figures: Published, images: VisitImages
) -> CasePart:
    """Describe the root at follow-up: what its landmarks support, and where the tunnel opens."""
    support = sign_support(directed(spaces), answers, figures, images.image)
    remarks: list[str] = []
    drilled = [one for space in spaces for one in _drilled(space, figures, remarks)]
    return CasePart("Root at follow-up", (*support.quantities, *drilled), tuple(remarks))


def candidate_facts(
    answers: Answers, reading: KneeReading | None, examined: KneeIdentity
) -> dict[str, Fact]:
    """Bring together, by name, the facts that were entered and those that the images state.

    `reading` and `examined` are those of the baseline. An age or a time that is not plausible is
    left out.
    """
    facts = {
        name: Fact(value, "entered")
        for name in answers.facts.__struct_fields__
        if (value := getattr(answers.facts, name)) is not None
    }
    day, event = dicom_date(examined.study_date), answers.case.event_date
    if "tear_age_days" not in facts and day is not None and event is not None and day >= event:
        facts["tear_age_days"] = Fact(
            float((day - event).days), "from the date of injury to the baseline"
        )
    born = dicom_date(examined.birth_date)
    if "age_years" not in facts and day is not None and born is not None:
        years = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
        if ADULT_YEARS[0] <= years <= ADULT_YEARS[1]:
            facts["age_years"] = Fact(float(years), "from the dates of birth and of the baseline")
    name = answers.case.root.compartment.value
    facts["compartment"] = Fact(name, "entered with the root")
    found = None if reading is None else getattr(reading, name)
    if reading is not None and found is not None:
        extrusion = extrusion_part(reading, Visit.BASELINE)
        match = next(q for q in extrusion.quantities if q.name.startswith(name))
        facts["extrusion_mm"] = Fact(match.value, f"measured, {match.words}", match.where)
    return facts

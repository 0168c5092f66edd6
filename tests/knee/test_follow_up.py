"""The change between two examinations against the change that the synthetic knee has."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.errors import (
    InputError,
    LandmarkError,
    NothingMeasurableError,
)
from meniscal_measure.findings import Code
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import (
    FollowUp,
    compared,
    detectable_mm,
    follow_up_part,
    registered,
    same_slice,
)
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import Basis, Visit
from meniscal_measure.knee.registration import Registration
from meniscal_measure.report.follow_up_figure import follow_up_figure
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.repair import shifted
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.handmade_findings import example
from tests.knee.examined import examined
from tests.knee.imaged_tibia import Imaging, grids_of, movement
from tests.report.conftest import faults_of_layout

CHANGE_MM = 1.6
MOVED = movement((3.0, -4.0, 6.0), (12.0, -7.0, 20.0))
LATER = Imaging(turn_deg=(-3.0, 1.5, 2.0), offset_mm=(1.6, 0.7, -9.0), seed=2)
KNEE = SyntheticKnee(KneeParameters())
CHANGED = SyntheticKnee(shifted(KneeParameters(), Compartment.MEDIAL, CHANGE_MM))
PAIR: dict[str, Any] = {
    "study_date": "20260709",
    "study_instance_uid": "2.25.2",
    "series_instance_uid": "2.25.22",
}
KNOWN = Registration(MOVED, 0.2, 0.2)


@pytest.fixture(scope="module")
def baseline() -> KneeExamination:
    return examined(KNEE, Imaging())


@pytest.fixture(scope="module")
def follow_up() -> KneeExamination:
    return examined(CHANGED, LATER, MOVED, **PAIR)


@pytest.fixture(scope="module")
def found(baseline: KneeExamination, follow_up: KneeExamination) -> FollowUp:
    return compared(baseline, follow_up, registered(baseline, follow_up))


def test_the_change_is_that_of_the_knee(found: FollowUp) -> None:
    medial, lateral = (found.compartments[name].change for name in
                       (Compartment.MEDIAL, Compartment.LATERAL))  # fmt: skip
    assert medial.value == pytest.approx(CHANGE_MM, abs=0.1)
    assert lateral.value == pytest.approx(0.0, abs=0.1)
    assert medial.verdict == "more than before"
    assert lateral.verdict == "within the error of measurement"
    assert found.days == 180


def test_the_same_slice_of_the_bone_is_found(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    middle = grids_of(Imaging())[baseline.reading.measured.slice_index]
    rims = np.mean([baseline.tibia().medial_rim_mm, baseline.tibia().lateral_rim_mm], axis=0)
    assert abs(middle.off_plane_mm(rims)) < 1e-6
    index = found.compared[Visit.FOLLOW_UP]
    truly = abs(grids_of(LATER)[index].off_plane_mm(rims))
    assert truly <= LATER.spacing_mm / 2 + 0.3
    assert abs(found.offset_mm) == pytest.approx(truly, abs=0.3)
    turns = movement(LATER.turn_deg, (0.0, 0.0, 0.0)).rotation[:, 1]
    assert found.tilt_deg == pytest.approx(np.degrees(np.arccos(turns[1])), abs=0.3)


def test_the_choice_of_the_slice_counts_once(
    baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    sure = compared(baseline, follow_up, replace(KNOWN, error_mm=0.0))
    unsure = compared(baseline, follow_up, replace(KNOWN, error_mm=1.4))
    one = sure.compartments[Compartment.MEDIAL].change
    other = unsure.compartments[Compartment.MEDIAL].change
    readings = np.array([item.reading.measured.compartments[Compartment.MEDIAL].extrusion.u_mm
                for item in (baseline, follow_up)])  # fmt: skip
    assert one.u < np.linalg.norm(readings)
    assert other.u > one.u


def test_extrusion_is_read_between_the_slices_in_proportion(
    baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    medial = compared(baseline, follow_up, KNOWN).compartments[Compartment.MEDIAL]
    curve = medial.curves[Visit.FOLLOW_UP]
    x = [point.behind_mm for point in curve]
    y = [point.extrusion_mm for point in curve]
    assert medial.follow_up_mm == pytest.approx(float(np.interp(0.0, x, y)), abs=1e-9)


def test_a_slice_elsewhere_in_the_bone_is_refused(baseline: KneeExamination) -> None:
    away = examined(CHANGED, LATER, MOVED, measured=10, reach=0, **PAIR)
    with pytest.raises(LandmarkError, match="away from the baseline's slice of the bone"):
        compared(baseline, away, KNOWN)


def test_a_registration_that_finds_no_slice_is_refused(
    baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    with pytest.raises(NothingMeasurableError, match=r"registered to 1\.6 mm only"):
        compared(baseline, follow_up, replace(KNOWN, error_mm=1.6))
    with pytest.raises(NothingMeasurableError, match="turned by 38 degrees"):
        compared(
            baseline, follow_up, replace(KNOWN, move=movement((0.0, 0.0, 46.0), (0.0, 0.0, 0.0)))
        )


def test_a_place_outside_the_stack_is_refused(
    baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    far = movement((0.0, 0.0, 0.0), (0.0, 90.0, 0.0))
    with pytest.raises(NothingMeasurableError, match="outside the follow-up's stack"):
        same_slice(baseline, follow_up.stack, far)


def test_another_axis_is_refused(baseline: KneeExamination, follow_up: KneeExamination) -> None:
    other = replace(follow_up.reading.conventions, axis=AxisConvention.IMAGE_VERTICAL)
    with pytest.raises(InputError, match="Measure both along one axis"):
        registered(
            baseline, replace(follow_up, reading=replace(follow_up.reading, conventions=other))
        )


def test_the_derived_smallest_detectable_change() -> None:
    """0.81 mm follow from SD 0.92 mm (Bruns 2014) and ICC 0.90: 2.77 x 0.29."""
    assert detectable_mm(published().reader_error) == pytest.approx(0.81, abs=0.005)


def test_the_part_of_the_case_names_both_slices(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    part = follow_up_part(found, baseline, follow_up)
    change = part.quantities[0]
    assert change.name == "change of medial extrusion"
    assert {place.visit for place in change.where} == {Visit.BASELINE, Visit.FOLLOW_UP}
    assert change.basis is Basis.PROPOSED, "nobody signed these readings"
    assert any("DERIVED" in remark for remark in part.remarks)


def test_both_examinations_are_drawn_at_equal_scale(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    figure = follow_up_figure(found, baseline, follow_up)
    shown = {axes.get_gid(): axes for axes in figure.axes}
    spans = [np.ptp(shown[f"{visit}-slice"].get_xlim()) for visit in ("baseline", "follow_up")]
    assert spans[0] == pytest.approx(spans[1])
    assert {"medial-curves", "lateral-curves"} <= shown.keys()


def test_the_picture_names_the_warnings_of_both_examinations(
    found: FollowUp, baseline: KneeExamination, follow_up: KneeExamination
) -> None:
    def warned(examination: KneeExamination, *codes: Code) -> KneeExamination:
        reading = replace(examination.reading, warnings=tuple(map(example, codes)))
        return replace(examination, reading=reading)

    figure = follow_up_figure(found, warned(baseline, Code.DUPLICATES), warned(follow_up, *Code))
    said = [text.get_text() for text in figure.texts]
    assert "baseline: WARNINGS, in full in the report: duplicates." in said
    assert any(line.startswith("follow-up: WARNINGS") for line in said)
    assert faults_of_layout(figure) == []

"""What a reading says of itself: whose it is, which compartments it speaks of, what was asked."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, SliceConvention
from meniscal_measure.caliper.reading import (
    AxisConvention,
    Conventions,
    Signature,
    ThresholdRule,
)
from meniscal_measure.slice_name import SliceName
from tests.handmade_readings import MakeCase

MEDIAL, LATERAL = Compartment.MEDIAL, Compartment.LATERAL
IMAGE_LEFT, IMAGE_RIGHT = Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT


def signed_by(reader: str) -> Signature:
    return Signature(reader, "2026-02-03T04:05:06+00:00", AxisConvention.RIM_TO_RIM)


def test_a_reading_is_verified_once_somebody_signed_it(make_case: MakeCase) -> None:
    reading = replace(make_case()[0], signatures=())
    assert not reading.verified
    assert reading.verified_by is None
    signed = replace(reading, signatures=tuple(map(signed_by, "ABC")))
    assert signed.verified
    assert signed.verified_by == "C"


def test_a_reading_stays_verified_when_the_name_is_left_out(make_case: MakeCase) -> None:
    reading = replace(make_case()[0], signatures=(signed_by("A"), signed_by("")))
    assert reading.verified
    assert reading.verified_by is None


@pytest.mark.parametrize(
    ("changes", "names"),
    [
        ({}, (MEDIAL, LATERAL)),
        ({"left_mm": None}, (MEDIAL, LATERAL)),
        ({"left_mm": None, "right_mm": None}, (MEDIAL, LATERAL)),
        ({"side": None}, (MEDIAL, LATERAL)),
        ({"side": None, "named_by_anatomy": False}, (IMAGE_LEFT, IMAGE_RIGHT)),
        ({"side": None, "left_mm": None, "right_mm": None}, (IMAGE_LEFT, IMAGE_RIGHT)),
    ],
)
def test_compartments_are_named_by_anatomy_where_side_or_landmarks_say_so(
    make_case: MakeCase, changes: dict[str, object], names: tuple[Compartment, Compartment]
) -> None:
    assert make_case(**changes)[0].named_compartments == names


def test_a_known_side_does_not_rename_what_was_measured_by_image_side(make_case: MakeCase) -> None:
    reading = make_case(side=None, named_by_anatomy=False)[0]
    known = replace(reading, source=replace(reading.source, side=Side.LEFT))
    assert known.named_compartments == (IMAGE_LEFT, IMAGE_RIGHT)


def test_medial_and_lateral_are_those_of_the_measured_slice(make_case: MakeCase) -> None:
    reading = make_case()[0]
    assert reading.medial is reading.measured.compartments[MEDIAL]
    assert reading.lateral is reading.measured.compartments[LATERAL]


def test_the_slice_convention_comes_with_the_landmarks_and_is_not_asked_for() -> None:
    conventions = Conventions(
        AxisConvention.LOCAL_TANGENT, ThresholdRule.AT_OR_ABOVE, 2.5,
        SliceConvention.PLATEAU_MIDPOINT,
    )  # fmt: skip
    assert conventions.asked() == {
        "axis": "local_tangent",
        "threshold_rule": "at_or_above",
        "threshold_mm": 2.5,
    }


def test_the_usual_conventions_are_those_of_the_literature() -> None:
    """Outside check: Costa 2004, major extrusion is more than 3 mm (quoted from memory)."""
    usual = Conventions()
    assert (usual.threshold_mm, usual.threshold_rule) == (3.0, ThresholdRule.ABOVE)


def test_the_assumed_placement_is_what_reader_studies_leave_for_one_landmark() -> None:
    """SD 0.92 mm and ICC 0.90 give an error of 0.29 mm for two landmarks (Bruns 2014)."""
    error_mm = 0.92 * math.sqrt(1 - 0.90)
    assert pytest.approx(error_mm / math.sqrt(2), abs=0.01) == HAND_PLACEMENT_SD_MM


@pytest.mark.parametrize(("from_the_front", "number"), [(True, 4), (False, 5)])
def test_slices_are_counted_from_1_from_the_front(
    make_case: MakeCase, from_the_front: bool, number: int
) -> None:
    reading = make_case()[0]
    source = replace(reading.source, from_the_front=from_the_front, slice_count=8)
    measured = replace(reading.measured, slice_index=3, instance_number=17, frame_number=2)
    reading = replace(reading, source=source, measured=measured, neighbours=())
    assert reading.slice_name(3) == SliceName(number, 8, 17, 2)
    assert reading.slice_number(3) == str(number)


def test_only_a_measured_slice_has_its_instance_number(make_case: MakeCase) -> None:
    reading = replace(make_case()[0], neighbours=())
    other = reading.slice_name(reading.measured.slice_index + 1)
    assert other is not None
    assert (other.instance_number, other.frame_number) == (None, None)


def test_a_slice_has_only_its_index_where_front_and_back_are_not_known(
    make_case: MakeCase,
) -> None:
    reading = make_case()[0]
    unknown = replace(reading, source=replace(reading.source, from_the_front=None))
    assert unknown.slice_name(3) is None
    assert unknown.slice_number(3) == "index 3"

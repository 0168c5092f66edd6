"""Pairs of examinations whose changes are known."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.knee.follow_up_pairs import CHANGE_MM, RootCourse, follow_up_pair

PLAN = StackPlan(StackPlane.CORONAL, 1, 64, 64, 2.0, 2.0, 3.0, 3.0)


@pytest.mark.parametrize("course", RootCourse)
def test_the_knee_changes_by_what_the_pair_says_and_its_bone_does_not(course: RootCourse) -> None:
    pair = follow_up_pair(KneeParameters(), course)
    before, after = SyntheticKnee(pair.baseline), SyntheticKnee(pair.follow_up)
    (grid,) = stack_grids(PLAN)
    extrusions = [knee.extrusion_on(grid)[Compartment.MEDIAL] for knee in (before, after)]
    assert np.diff(extrusions)[0] == pytest.approx(CHANGE_MM[course], abs=0.05)
    assert pair.baseline.tibia == pair.follow_up.tibia
    assert before.roots == after.roots
    assert pair.void == (True, course is not RootCourse.HEALED)


def test_only_a_repair_has_a_tunnel() -> None:
    for course in RootCourse:
        pair = follow_up_pair(KneeParameters(), course)
        repair = pair.follow_up.repair
        assert (repair.tunnel_radius_mm > 0) is (pair.tunnel_offset_mm is not None)
        if pair.tunnel_offset_mm is not None:
            assert repair.offset_mm == pair.tunnel_offset_mm

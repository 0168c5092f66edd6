"""The middle is found where the heights of spines and notch are those of real knees' middles."""

from collections.abc import Callable

import numpy as np
import pytest

from meniscal_measure.locate.middle import (
    BEHIND_APEX_MM,
    LATERAL_SPINE_MM,
    LEARNED_BEHIND_MM,
    MEDIAL_SPINE_MM,
    NOTCH_MM,
    find_middle,
)
from meniscal_measure.locate.plateau import ACROSS
from meniscal_measure.locate.survey import Survey

APEX_MM, LEARNED_MM = 2.0, 6.0
"""Where the bones put the middle, and where the networks do once they are set right."""
POSITIONS_MM = np.arange(-30.0, 31.0, 3.0)
BETWEEN_MM = (APEX_MM - 1.0, APEX_MM + 2.0)

Draw = Callable[..., Survey]


def a_survey(*, sign: float = 1.0, medial_right: bool = True, bones: bool = True) -> Survey:
    """Survey a knee whose bones run as real ones do about the apex."""
    count = len(POSITIONS_MM)
    behind = sign * (POSITIONS_MM - APEX_MM)
    medial, lateral, notch = (
        np.interp(behind, BEHIND_APEX_MM, course)
        for course in (MEDIAL_SPINE_MM, LATERAL_SPINE_MM, NOTCH_MM)
    )
    surface, roof = np.zeros((count, len(ACROSS))), np.zeros((count, len(ACROSS)))
    right = (ACROSS > 0.52) & (ACROSS < 0.68)
    surface[:, right] = (medial if medial_right else lateral)[:, None]
    surface[:, right[::-1]] = (lateral if medial_right else medial)[:, None]
    roof[:, (ACROSS > 0.4) & (ACROSS < 0.6)] = notch[:, None]
    if not bones:
        surface[:], roof[:] = np.nan, np.nan
    stated_mm = LEARNED_MM + sign * LEARNED_BEHIND_MM
    offsets = np.repeat((stated_mm - POSITIONS_MM)[:, None], 2, axis=1)
    ones, nowhere = np.ones(count), np.zeros((count, 4, 2))
    return Survey(nowhere, ones, ones, offsets, np.ones((count, 2)), surface, roof)


def test_bones_draw_the_middle_from_where_the_networks_put_it() -> None:
    middle = find_middle([a_survey()], list(POSITIONS_MM), backward=False, medial_right=True)
    assert BETWEEN_MM[0] < middle.position_mm < BETWEEN_MM[1]
    assert middle.learned_mm == pytest.approx(LEARNED_MM)


def test_a_stack_from_back_to_front_has_the_same_middle() -> None:
    seen = a_survey(sign=-1.0)
    middle = find_middle([seen], list(POSITIONS_MM), backward=True, medial_right=True)
    assert BETWEEN_MM[0] < middle.position_mm < BETWEEN_MM[1]


def test_the_bones_of_both_surveys_count() -> None:
    surveys = [a_survey(bones=False), a_survey()]
    middle = find_middle(surveys, list(POSITIONS_MM), backward=False, medial_right=True)
    alone = find_middle(surveys[1:], list(POSITIONS_MM), backward=False, medial_right=True)
    assert alone.position_mm < middle.position_mm < LEARNED_MM


@pytest.mark.parametrize("medial_right", [True, False])
def test_without_a_side_medial_is_tried_both_ways(medial_right: bool) -> None:
    seen = a_survey(medial_right=medial_right)
    middle = find_middle([seen], list(POSITIONS_MM), backward=False, medial_right=None)
    assert BETWEEN_MM[0] < middle.position_mm < BETWEEN_MM[1]


def test_where_no_bone_is_seen_the_networks_are_followed() -> None:
    seen = a_survey(bones=False)
    middle = find_middle([seen], list(POSITIONS_MM), backward=False, medial_right=True)
    assert middle.position_mm == pytest.approx(LEARNED_MM, abs=0.1)
